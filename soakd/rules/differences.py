"""What differs between two snapshots, setting by setting, in the trade's words with units.

What could be read then and cannot be read now, or the other way round, is no change that anybody made; but a verdict
says nothing of it either. It is named as not comparable, with the reason, once for all that is missing together.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.model.base import Value
from soakd.model.corelist import cores_in, ranges
from soakd.model.snapshot import is_by_cores, is_setting

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from soakd.model.snapshot import Snapshot

UNITS = {"_mt_s": "MT/s", "_mhz": "MHz", "_gib": "GiB", "_mib": "MiB", "_kib": "KiB", "_percent": "%", "_w": "W",
         "_v": "V", "_s": "s"}  # fmt: skip
"""Ends of field names, longest first."""
NOT_SHOWN = "not shown"
_ONLINE = ("topology", "online")


class _Name(str):
    """A name that the machine gave, said as it is: a slot, a zone, a kind of cache."""

    __slots__ = ()


_Path = tuple[str | int, ...]
"""Fields, names, and the number of a core."""
_Side = tuple[dict[_Path, str], "Mapping[str, str]"]
"""What one snapshot says, and why it does not say the rest."""


def differences(before: Snapshot, after: Snapshot) -> list[str]:
    """One line for each setting that is not what it was."""
    then, now = (dict(_leaves(before)), before.absent), (dict(_leaves(after)), after.absent)
    moved = _moved_cores(then[0], now[0])
    changed = [
        path
        for path in then[0] | now[0]
        if then[0].get(path) != now[0].get(path) and not any(isinstance(step, int) and step in moved for step in path)
    ]
    lines: dict[tuple[_Path, str], set[int]] = {}
    for path, change in _changes(changed, then, now):
        general = tuple(-1 if isinstance(step, int) else step for step in path)
        lines.setdefault((general, change), set()).update(step for step in path if isinstance(step, int))
    return [f"{_said(path, cores)}: {change}" for (path, change), cores in lines.items()]


def words(field: str) -> str:
    """A field, or a path of fields with dots, in words: memory_modules.configured_speed_mt_s."""
    return ", ".join(_split(each)[0] for each in field.split("."))


def _leaves(value: object, path: _Path = ()) -> Iterator[tuple[_Path, str]]:
    """Every single setting that is told, as text with its unit."""
    if isinstance(value, Value):
        for name in type(value).model_fields:
            if is_setting(value, name):
                inner = getattr(value, name)
                yield from _by_core(inner, (*path, name)) if is_by_cores(value, name) else _leaves(inner, (*path, name))
    elif isinstance(value, dict):
        for name, inner in value.items():
            yield from list(_leaves(inner, (*path, _Name(name)))) or [((*path, _Name(name)), "there")]
    elif value not in (None, ()):
        yield path, _text(value, next(_split(step)[1] for step in reversed(path) if isinstance(step, str)))


def _by_core(groups: dict[str, object], path: _Path) -> Iterator[tuple[_Path, str]]:
    for cores, value in groups.items():
        for core in cores_in(cores):
            yield from list(_leaves(value, (*path, core))) or [((*path, core), "there")]


def _moved_cores(then: Mapping[_Path, str], now: Mapping[_Path, str]) -> frozenset[int]:
    """Cores that are online on one side only: the line about them says it all."""
    if _ONLINE not in then or _ONLINE not in now:
        return frozenset()
    return cores_in(then[_ONLINE]) ^ cores_in(now[_ONLINE])


def _changes(changed: list[_Path], then: _Side, now: _Side) -> Iterator[tuple[_Path, str]]:
    """Each change as `a → b`; what is missing on one side together makes one."""
    tops = {id(side): {path[:n] for path in side[0] for n in range(1, len(path) + 1)} for side in (then, now)}
    missing: dict[_Path, list[_Path]] = {}
    for path in changed:
        lacking = next((side for side in (then, now) if path not in side[0]), None)
        if lacking is None:
            yield path, f"{then[0][path]} → {now[0][path]}"
        elif path not in tops[id(lacking)]:
            top = next(path[:n] for n in range(1, len(path) + 1) if path[:n] not in tops[id(lacking)])
            missing.setdefault(top, []).append(path)
    for top, paths in missing.items():
        said = {(tuple(s for s in path if isinstance(s, str)), then[0].get(path, now[0].get(path))) for path in paths}
        for path in paths if len(said) == 1 else [top]:
            yield path, _one_sided(path, then, now)


def _one_sided(path: _Path, then: _Side, now: _Side) -> str:
    lost = any(known[: len(path)] == path for known in then[0])
    known, reason = (then[0], _reason(path, now[1])) if lost else (now[0], _reason(path, then[1]))
    value = known.get(path, "there")
    if reason is None:
        return f"{value} → {NOT_SHOWN}" if lost else f"{NOT_SHOWN} → {value}"
    of = "" if value == "there" else f" ({value})"
    return f"not comparable: known then{of}, now {reason}" if lost else f"not comparable: then {reason}, known now{of}"


def _reason(path: _Path, absent: Mapping[str, str]) -> str | None:
    """Why the path, something above it or something below it could not be read."""
    fields = [step for step in path if isinstance(step, str) and not isinstance(step, _Name)]
    for end in range(len(fields), 0, -1):
        reason = absent.get(".".join(fields[:end]))
        if reason is not None:
            return reason
    below = ".".join(fields) + "."
    return next((reason for field, reason in absent.items() if field.startswith(below)), None)


def _said(path: _Path, cores: set[int]) -> str:
    return ", ".join(
        f"core{'s' if len(cores) > 1 else ''} {ranges(cores)}"
        if isinstance(step, int)
        else step
        if isinstance(step, _Name)
        else words(step)
        for step in path
    )


def _split(field: str) -> tuple[str, str]:
    """Words and unit of a field."""
    if isinstance(field, _Name):
        return field, ""
    end = next((end for end in UNITS if field.endswith(end)), "")
    return field.removesuffix(end).replace("_", " "), UNITS.get(end, "")


def _text(value: object, unit: str) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        return "; ".join(str(each) for each in value)
    shown = f"{value:.12g}" if isinstance(value, float) else str(value)
    return f"{shown} {unit}" if unit else shown
