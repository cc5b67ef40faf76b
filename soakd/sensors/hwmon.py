"""The kernel's hwmon class, read directly (Documentation/hwmon/sysfs-interface.rst).

psutil drops an input that cannot be read, copies one limit into another and ignores `_fault`; a guard must see all of
that. Units there: temp m°C, in mV, curr mA, power µW, fan rpm. `in` counts from 0, everything else from 1; only `name`
is mandatory; hwmonN changes from boot to boot, so a channel is named by driver, device and label.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from soakd.model.channels import Channel, Role
from soakd.sensors.roles import role_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

ROOT = Path("/sys/class/hwmon")
_INPUT = re.compile(r"^(temp|in|curr|power|fan)(\d+)_input$")
_SCALE = {"temp": 1e-3, "in": 1e-3, "curr": 1e-3, "power": 1e-6, "fan": 1.0}
_PLAUSIBLE_CRITICAL_C = (40.0, 125.0)
"""Drivers are known to report 0, -273.15 or 127 °C where no critical value is set; common practice, no source."""


@dataclass(frozen=True, slots=True)
class _Input:
    channel: Channel
    path: Path
    scale: float

    @property
    def fault(self) -> Path:
        return self.path.with_name(self.path.name.replace("_input", "_fault"))


class HwmonSource:
    """All inputs that the tree had when the source was made; an input that vanishes stays as a gap."""

    name = "hwmon"

    def __init__(self, root: Path = ROOT) -> None:
        found = [(place, path) for place in _chips(root) for path in _inputs(place)]
        self._inputs = list(_named(found))

    def channels(self) -> Sequence[Channel]:
        return [each.channel for each in self._inputs]

    def read(self) -> tuple[dict[str, float], dict[str, str]]:
        values: dict[str, float] = {}
        gaps: dict[str, str] = {}
        for each in self._inputs:
            try:
                values[each.channel.name] = _sound_value(each)
            except _Gap as gap:
                gaps[each.channel.name] = str(gap)
        return values, gaps


class _Gap(Exception):  # noqa: N818 - a gap is a value on its way, not an error
    """Why an input has no value."""


def _sound_value(source: _Input) -> float:
    """The input in the role's unit. The kernel says of `_fault`: the measurement should not be trusted."""
    try:
        if source.fault.exists() and _text(source.fault) == "1":
            raise _Gap("the driver reports a fault of this sensor")
        return int(_text(source.path)) * source.scale
    except FileNotFoundError:
        raise _Gap("gone: the input does not exist any more") from None
    except OSError as error:
        raise _Gap(f"cannot be read: {error.strerror}") from None
    except ValueError:
        raise _Gap("not a number") from None


def _text(path: Path) -> str:
    return path.read_text(encoding="utf-8", errors="replace").strip()


def _optional(path: Path) -> str:
    try:
        return _text(path)
    except OSError:
        return ""


def _chips(root: Path) -> Iterator[Path]:
    """Folders that carry a `name`; some old drivers keep their files in `device/`."""
    if not root.is_dir():
        return
    for chip in sorted(root.iterdir()):
        for place in (chip, chip / "device"):
            if (place / "name").is_file():
                yield place
                break


def _inputs(place: Path) -> Iterator[Path]:
    matches = ((match, path) for path in place.iterdir() if (match := _INPUT.match(path.name)))
    yield from (path for _, path in sorted(matches, key=lambda pair: (pair[0][1], int(pair[0][2]))))


def _named(found: Sequence[tuple[Path, Path]]) -> Iterator[_Input]:
    """Inputs with names that are unique and do not depend on the kernel's numbering."""
    labels = {path: _optional(path.with_name(path.name.replace("_input", "_label"))) for _, path in found}
    short = {path: f"hwmon/{_text(place / 'name')}/{labels[path] or _stem(path)}" for place, path in found}
    uses = Counter(short.values())
    taken: Counter[str] = Counter()
    for place, path in found:
        name = short[path]
        if uses[name] > 1:
            name = f"{name} at {_device(place)}/{_stem(path)}"
        taken[name] += 1
        if taken[name] > 1:
            name = f"{name} #{taken[name]}"
        kind = _stem(path).rstrip("0123456789")
        role = role_of(kind, _text(place / "name"), labels[path])
        yield _Input(Channel(name=name, role=role, critical=_critical(path, role)), path, _SCALE[kind])


def _stem(path: Path) -> str:
    return path.name.removesuffix("_input")


def _device(place: Path) -> str:
    """The bus address behind the chip, which stays where it is."""
    link = place / "device"
    return link.resolve().name if link.exists() else place.name


def _critical(path: Path, role: Role) -> float | None:
    if not role.value.endswith("-temperature"):
        return None
    for suffix in ("_crit", "_max"):
        text = _optional(path.with_name(path.name.replace("_input", suffix)))
        try:
            value = int(text) * _SCALE["temp"]
        except ValueError:
            continue
        low, high = _PLAUSIBLE_CRITICAL_C
        if low < value < high:
            return value
    return None
