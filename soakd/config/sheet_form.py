"""A sheet to be filled in: every key with its unit and meaning, and what the bench shows filled in already."""

from __future__ import annotations

import json
import re
from importlib.resources import files
from typing import TYPE_CHECKING

from soakd import units
from soakd.model.channels import Role
from soakd.rules.declared import package_limits_w, package_windows_s
from soakd.rules.modules import counted, fitted
from soakd.rules.sheet_cores import bench_cores

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from soakd.model.channels import Channel
    from soakd.model.snapshot import Snapshot

_SECTION = re.compile(r"^\[(?P<name>[a-z-]+)\]$")
_KEY = re.compile(r"^#(?P<key>[a-z-]+) = ")
_CREDIBLE_CRITICAL_C = (60.0, 125.0)
"""A sensor's critical value outside of these is a placeholder (common practice, no source)."""


def form() -> str:
    """The empty form."""
    return files("soakd.config").joinpath("sheet_form.toml").read_text(encoding="utf-8")


def filled(shown: Mapping[str, str | int]) -> str:
    """The form with some of its lines declared; place ("memory: data-rate") to value."""
    lines, section = [], ""
    for line in form().splitlines():
        if found := _SECTION.match(line):
            section = found["name"]
        key = _KEY.match(line)
        value = shown.get(f"{section}: {key['key']}") if key else None
        lines.append(line if key is None or value is None else f"{key['key']} = {_written(value)}")
    return "\n".join(lines) + "\n"


def shown_by(snapshot: Snapshot, channels: Iterable[Channel]) -> dict[str, str | int]:
    """Place to value, for what the bench shows of what a sheet declares. Nothing is guessed."""
    known = dict([*_processor(snapshot), *_memory(snapshot), *_power(snapshot), *_sensors(list(channels))])
    return {place: value for place, value in known.items() if value is not None}


def _processor(snapshot: Snapshot) -> Iterator[tuple[str, str | int | None]]:
    yield "processor: model", snapshot.processor
    yield "processor: cores", bench_cores(snapshot)
    yield "processor: threads", snapshot.logical_cores


def _memory(snapshot: Snapshot) -> Iterator[tuple[str, str | int | None]]:
    modules = snapshot.memory_modules.values()
    kinds = [fitted(module) for module in modules]
    if kinds and all(kinds):
        yield "memory: modules", counted(kinds)[:400]
    rates = {module.configured_speed_mt_s for module in modules}
    rate = rates.pop() if len(rates) == 1 else None
    yield "memory: data-rate", None if rate is None else units.show(rate, units.DATA_RATE)


def _power(snapshot: Snapshot) -> Iterator[tuple[str, str | int | None]]:
    for field in ("sustained-power", "short-power"):
        limits_w = package_limits_w(snapshot, field)
        if len(limits_w) == 1:
            yield f"limits: {field}", units.show(limits_w.pop(), units.POWER)
    windows_s = package_windows_s(snapshot)
    if len(windows_s) == 1 and len(package_limits_w(snapshot, "short-power")) == 1:
        yield "limits: short-time", units.show(windows_s.pop(), units.TIME)


def _sensors(channels: list[Channel]) -> Iterator[tuple[str, str | int | None]]:
    low_c, high_c = _CREDIBLE_CRITICAL_C
    critical = [c.critical for c in channels if c.role is Role.CPU_TEMPERATURE and c.critical is not None]
    credible = [value for value in critical if low_c <= value <= high_c]
    if credible:
        yield "makers-limits: temperature", units.show(min(credible), units.TEMPERATURE)
    coolant = [c.name for c in channels if c.role is Role.COOLANT_TEMPERATURE]
    if len(coolant) == 1:
        yield "cooling: coolant-channel", coolant[0]


def _written(value: str | int) -> str:
    """A TOML value: a basic string is a JSON string once what cannot be printed is gone (TOML 1.0.0, "String")."""
    text = value if isinstance(value, int) else "".join(each for each in value if each.isprintable()).strip()[:400]
    return json.dumps(text, ensure_ascii=False)
