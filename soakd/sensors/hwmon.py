"""The kernel's hwmon class, read directly (Documentation/hwmon/sysfs-interface.rst).

psutil drops an input that cannot be read, copies one limit into another and ignores `_fault`; a guard must see all of
that. Units there: temp m°C, in mV, curr mA, power µW, fan rpm. `in` counts from 0, everything else from 1; only `name`
is mandatory; hwmonN changes from boot to boot, so a channel is named by driver, device and label.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from soakd.model.channels import Channel
from soakd.sensors.inputs import Gap, entries, free, text, whole
from soakd.sensors.roles import MILLI, plausible_critical, role_of, scale_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

ROOT = Path("/sys/class/hwmon")
_INPUT = re.compile(r"(?P<stem>(?P<kind>temp|in|curr|power|fan)(?P<number>\d+))_(?P<what>input|average)", re.ASCII)
_NAMELESS = "nameless"


@dataclass(frozen=True, slots=True)
class _Chip:
    driver: str
    device: str
    """What stays in place behind the chip, such as a bus address; empty when the kernel shows nothing."""
    place: Path


@dataclass(frozen=True, slots=True)
class _Found:
    """One input as it was found."""

    chip: _Chip
    stem: str
    kind: str
    number: int
    path: Path
    label: str
    scale: float
    """From the kernel's number to the role's unit."""

    def beside(self, suffix: str) -> Path:
        return self.chip.place / f"{self.stem}_{suffix}"


@dataclass(frozen=True, slots=True)
class _Input:
    channel: Channel
    path: str
    fault: str | None
    scale: float


class HwmonSource:
    """All inputs that the tree had when the source was made; an input that vanishes stays as a gap."""

    name = "hwmon"

    def __init__(self, root: Path = ROOT) -> None:
        self._inputs = list(_named(inputs_under(root)))

    def channels(self) -> Sequence[Channel]:
        return [each.channel for each in self._inputs]

    def inputs(self) -> dict[str, str]:
        """Channel to the file behind it, for whoever has to read it without us."""
        return {each.channel.name: each.path for each in self._inputs}

    def read(self) -> tuple[dict[str, float], dict[str, str]]:
        values: dict[str, float] = {}
        gaps: dict[str, str] = {}
        for each in self._inputs:
            try:
                values[each.channel.name] = _sound_value(each)
            except Gap as gap:
                gaps[each.channel.name] = str(gap)
        return values, gaps


def inputs_under(root: Path = ROOT) -> list[_Found]:
    """Every input in an order that does not depend on the kernel's numbering of chips."""
    found = [each for chip in _chips(root) for each in _inputs(chip)]
    return sorted(found, key=lambda each: (each.chip.driver, each.chip.device, each.kind, each.number))


def _sound_value(source: _Input) -> float:
    """The input in the role's unit. The kernel says of `_fault`: the measurement should not be trusted."""
    if source.fault is not None and whole(source.fault, "fault flag ") != 0:
        raise Gap("the driver reports a fault of this sensor")
    return whole(source.path) * source.scale


def _chips(root: Path) -> Iterator[_Chip]:
    """Drivers of the first API keep their files in `device/`; a chip without a name is watched all the same."""
    for entry in entries(root):
        places = (root / entry, root / entry / "device")
        named = next((place for place in places if text(place / "name")), None)
        place = named or next((place for place in places if _has_inputs(place)), None)
        if place is not None:
            yield _Chip(text(place / "name") or _NAMELESS, _device(root / entry), place)


def _device(chip: Path) -> str:
    """The device behind the chip, or the folder the kernel keeps the chip in, without the changing hwmonN."""
    link = chip / "device"
    if link.is_symlink():
        return link.resolve().name
    parents = [part for part in chip.resolve().parts if not part.startswith("hwmon")] if chip.is_symlink() else []
    return parents[-1] if parents else ""


def _has_inputs(place: Path) -> bool:
    return any(_INPUT.fullmatch(name) for name in entries(place))


def _inputs(chip: _Chip) -> Iterator[_Found]:
    """One per sensor: its input, or the average where a power sensor has no input; none that is another quantity."""
    matches = [match for name in entries(chip.place) if (match := _INPUT.fullmatch(name))]
    with_input = {match["stem"] for match in matches if match["what"] == "input"}
    for match in matches:
        if match["what"] == "average" and (match["kind"] != "power" or match["stem"] in with_input):
            continue
        label = text(chip.place / f"{match['stem']}_label")
        scale = scale_of(match["kind"], label)
        if scale is not None:
            yield _Found(chip, match["stem"], match["kind"], int(match["number"]), chip.place / match[0], label, scale)


def _named(found: Iterable[_Found]) -> Iterator[_Input]:
    """Inputs with names that are unique and do not depend on the kernel's numbering."""
    short = [(f"hwmon/{each.chip.driver}/{each.label or each.stem}", each) for each in found]
    uses = Counter(name for name, _ in short)
    taken: set[str] = set()
    for plain, each in short:
        at = "/".join(part for part in (each.chip.device, each.stem) if part)
        name = plain if uses[plain] == 1 else f"{plain} at {at}"
        yield _input(free(name, taken), each)


def _input(name: str, found: _Found) -> _Input:
    role = role_of(found.kind, found.chip.driver, found.label)
    fault = found.beside("fault")
    return _Input(
        channel=Channel(name=name, role=role, critical=_critical(found) if found.kind == "temp" else None),
        path=str(found.path),
        fault=str(fault) if os.path.lexists(fault) else None,
        scale=found.scale,
    )


def _critical(found: _Found) -> float | None:
    """The critical value; where it is absent or impossible, the maximum, which lies below it."""
    for suffix in ("crit", "max"):
        try:
            value = whole(str(found.beside(suffix))) * MILLI
        except Gap:
            continue
        if (critical := plausible_critical(value)) is not None:
            return critical
    return None
