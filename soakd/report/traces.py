"""What the channels read over the run: a strip for each, grouped by what they measure, alike ones together first."""

from __future__ import annotations

import math
from array import array
from base64 import b64encode
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from soakd import units
from soakd.report.drawn import band, line
from soakd.rules.margins import BROKEN
from soakd.rules.thinning import Thinned, places, thinned, together

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from soakd.model.columns import Columns
    from soakd.model.verdict import ChannelSummary, Verdict
    from soakd.report.course import Axis

GROUPS: Final = {
    "Temperature": (
        "cpu-temperature", "coolant-temperature", "ambient-temperature", "memory-temperature", "board-temperature",
        "drive-temperature", "accelerator-temperature", "other-temperature",
    ),
    "Clock": ("probed-clock", "core-clock", "accelerator-clock"),
    "Power": ("package-power", "power"),
    "Voltage and current": ("voltage", "current"),
    "Pump, fans and flow": ("pump", "coolant-flow", "fan"),
}  # fmt: skip
"""Heading to roles, in reading order; other roles come last."""
OTHERS: Final = "Other channels"
SPEED: Final = "Speed"
SPEED_NAME: Final = "checked rounds, against their mean in the stage"
_FOLDED: Final = 4
"""So many channels of one role are still drawn one by one."""
_WINDOW_S: Final = 10.0
"""That a speed is taken over: rounds take about half a second."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceView:
    """One channel, or alike ones together."""

    name: str
    numbers: str
    top: str
    foot: str
    """What the strip's edges stand for."""
    band: str
    mean: str

    @property
    def alternative(self) -> str:
        return f"{self.name}: {self.numbers}"


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupView:
    """One heading: strips that are shown at once, and those behind them."""

    name: str
    traces: tuple[TraceView, ...]
    each: tuple[TraceView, ...]
    """Of channels that `traces` shows together."""
    still: tuple[str, ...]
    """Channels that read the same all the time, each with that."""
    closer: tuple[dict[str, str], ...]
    """For looking closer: name, unit, and float32 of lowest, mean and highest, one after the other, in base64."""


@dataclass(frozen=True, slots=True)
class _Series:
    """One channel, thinned."""

    summary: ChannelSummary
    thin: Thinned
    broke: tuple[float, ...] = ()
    """Readings that broke a limit and are beyond all others: the load was stopped before their tick was whole."""

    @property
    def still(self) -> bool:
        return self.summary.minimum == self.summary.maximum and not self.broke


def groups(columns: Columns, verdict: Verdict, axis: Axis) -> tuple[GroupView, ...]:
    """Numbers are those of the verdict, made from every reading of the whole run."""
    begins = places(columns.at_s, axis.ended_s, axis.parts)
    by_name = {summary.name: summary for summary in verdict.evidence.channels}
    breaking = _breaking(verdict)
    series: dict[str, list[_Series]] = {}
    heading = {role: name for name, roles in GROUPS.items() for role in roles}
    for number, channel in enumerate(columns.channels):
        summary = by_name.get(channel.name)
        if summary is not None and summary.readings:
            group = heading.get(channel.role, OTHERS)
            thin = thinned(columns.column(number), begins)
            series.setdefault(group, []).append(_series(summary, thin, breaking.get(channel.name, []), axis))
    found = [_group(name, series[name]) for name in (*GROUPS, OTHERS) if name in series]
    speed = _speed(columns, begins)
    return (*found[: len(found) - (OTHERS in series)], *speed, *found[len(found) - (OTHERS in series) :])


def _breaking(verdict: Verdict) -> dict[str, list[tuple[float, float]]]:
    """Channel to moments and readings that broke a limit on the reading itself."""
    found: dict[str, list[tuple[float, float]]] = {}
    for finding in (*verdict.reasons, *verdict.notes):
        if finding.rule != BROKEN or finding.limit is None or finding.at_s is None or finding.sample is None:
            continue
        bound = verdict.bounds[finding.limit]
        if bound.is_plain:
            found.setdefault(bound.channel, []).append((finding.at_s, finding.sample))
    return found


def _series(summary: ChannelSummary, thin: Thinned, breaking: Sequence[tuple[float, float]], axis: Axis) -> _Series:
    for at_s, value in breaking:
        part = min(axis.parts - 1, int(at_s / axis.ended_s * axis.parts))
        low, mean, high = thin.low[part], thin.mean[part], thin.high[part]
        thin.low[part] = value if low is None else min(low, value)
        thin.mean[part] = value if mean is None else mean
        thin.high[part] = value if high is None else max(high, value)
    least, most = summary.minimum or 0.0, summary.maximum or 0.0
    return _Series(summary, thin, tuple(value for _, value in breaking if not least <= value <= most))


def _group(name: str, series: Sequence[_Series]) -> GroupView:
    alike: dict[str, list[_Series]] = {}
    still = [one.summary for one in series if one.still]
    for one in series:
        if not one.still:
            alike.setdefault(one.summary.role, []).append(one)
    order = sorted(alike, key=lambda role: GROUPS.get(name, (*alike,)).index(role))
    shown, each = [], []
    for role in order:
        if len(alike[role]) > _FOLDED:
            shown.append(_folded(role, alike[role]))
            each += [_trace(one) for one in alike[role]]
        else:
            shown += [_trace(one) for one in alike[role]]
    closer = [_closer(one.summary.name, one.summary.unit, one.thin) for role in order for one in alike[role]]
    same = (f"{seen.name}: {units.reading_text(seen.minimum or 0.0, seen.unit)}" for seen in still)
    return GroupView(name=name, traces=tuple(shown), each=tuple(each), still=tuple(same), closer=tuple(closer))


def numbers_text(low: float, mean: float, high: float, unit: str) -> str:
    """22.0 to 71.3 °C, mean 64.2 °C."""
    return f"{_bare(low, unit)} to {units.reading_text(high, unit)}, mean {units.reading_text(mean, unit)}"


def _bare(value: float, unit: str) -> str:
    return units.reading_text(value, unit).removesuffix(unit).rstrip()


def _trace(one: _Series) -> TraceView:
    seen = one.summary
    numbers = numbers_text(seen.minimum or 0.0, seen.mean or 0.0, seen.maximum or 0.0, seen.unit)
    return _drawn(seen.name, numbers + _broke_text([one]), one.thin, seen.unit)


def _broke_text(series: Sequence[_Series]) -> str:
    """; 0.0 rpm where it broke its limit"""
    told = (units.reading_text(value, one.summary.unit) for one in series for value in one.broke)
    return "".join(f"; {text} where it broke its limit" for text in dict.fromkeys(told))


def _folded(role: str, alike: Sequence[_Series]) -> TraceView:
    least = min(one.summary.minimum or 0.0 for one in alike)
    most = max(one.summary.maximum or 0.0 for one in alike)
    readings = sum(one.summary.readings for one in alike)
    mean = math.fsum((one.summary.mean or 0.0) * one.summary.readings for one in alike) / readings
    unit = alike[0].summary.unit
    name = f"{role.replace('-', ' ')}, {len(alike)} channels together"
    numbers = numbers_text(least, mean, most, unit) + _broke_text(alike)
    return _drawn(name, numbers, together([one.thin for one in alike]), unit)


def _drawn(name: str, numbers: str, thin: Thinned, unit: str) -> TraceView:
    low = min((value for value in thin.low if value is not None), default=0.0)
    high = max((value for value in thin.high if value is not None), default=0.0)
    return TraceView(
        name=name,
        numbers=numbers,
        top=units.reading_text(high, unit),
        foot=units.reading_text(low, unit) if low < high else "",
        band=band(thin.low, thin.high, low, high),
        mean=line(thin.mean, low, high),
    )


def _closer(name: str, unit: str, thin: Thinned) -> dict[str, str]:
    values = (math.nan if value is None else value for part in (thin.low, thin.mean, thin.high) for value in part)
    return {"name": name, "unit": unit, "data": b64encode(array("f", values).tobytes()).decode()}


def _speed(columns: Columns, begins: Sequence[int]) -> Iterator[GroupView]:
    """Nothing for a run whose ticks tell no rounds."""
    shares = array("d", _shares(columns))
    known = [share for share in shares if not math.isnan(share)]
    if not known:
        return
    thin = thinned(shares, begins)
    unit = units.SHARE.base
    numbers = numbers_text(min(known), math.fsum(known) / len(known), max(known), unit)
    trace = _drawn(SPEED_NAME, f"{numbers}, each over {_WINDOW_S:g} s", thin, unit)
    yield GroupView(name=SPEED, traces=(trace,), each=(), still=(), closer=(_closer(SPEED_NAME, unit, thin),))


def _shares(columns: Columns) -> Iterator[float]:
    """At each tick the rounds of the last ten seconds, in % of the stage's mean; NaN before there are so many."""
    means, first = _means(columns), 0
    for place, (at_s, stage) in enumerate(zip(columns.at_s, columns.stage, strict=True)):
        if place and columns.stage[place - 1] != stage:
            first = place
        while first < place and at_s - columns.at_s[first + 1] >= _WINDOW_S:
            first += 1
        past_s = at_s - columns.at_s[first]
        mean = means.get(stage, 0.0)
        rounds = columns.rounds[place] - columns.rounds[first]
        yield 100.0 * rounds / past_s / mean if mean > 0.0 and past_s >= _WINDOW_S else math.nan


def _means(columns: Columns) -> dict[int, float]:
    """Rounds per second of each stage, from its first tick to its last."""
    spans: dict[int, tuple[int, int]] = {}
    for place, stage in enumerate(columns.stage):
        if stage >= 0:
            spans[stage] = spans.get(stage, (place, 0))[0], place
    return {
        stage: (columns.rounds[last] - columns.rounds[first]) / (columns.at_s[last] - columns.at_s[first])
        for stage, (first, last) in spans.items()
        if last > first
    }
