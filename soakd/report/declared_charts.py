"""What a sheet allows, as charts: clocks over active cores, over cores and over temperature; volts over ratio."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Final

from soakd import units
from soakd.report.chart import Chart, Series, chart
from soakd.report.expect import moment_text, number_text, widths_text
from soakd.rules.allowed import allowed
from soakd.rules.curve import curve_of, under_current
from soakd.rules.point_words import core_text, folded

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from soakd.report.expect import Expected

_LEVEL: Final = 0.8
"""Of the room of one number that its levels take, all widths side by side."""
_MOST_LABELS: Final = 16
_COOLER_K, _HOTTER_K = 12.0, 8.0
"""Shown beyond the first and the last step down."""


def charts(expected: Expected) -> tuple[Chart, ...]:
    """Those that have something to show."""
    found = (
        clock_by_active(expected),
        clock_by_core(expected),
        clock_by_temperature(expected),
        voltage_by_ratio(expected),
    )
    return tuple(each for each in found if each is not None)


def clock_by_active(expected: Expected) -> Chart | None:
    """The highest allowed clock of any core for each number of active ones; None where it is one core."""
    counts = [float(count) for first, last in expected.spans for count in range(first, last + 1)]
    if len(counts) < 2:
        return None
    low_c = expected.moments[0]

    def top(count: float, width: int) -> float | None:
        return _top(expected, expected.cores, int(count), width, low_c)

    heat = "" if low_c is None and len(expected.moments) == 1 else f", {moment_text(expected, low_c)}"
    title = f"Allowed clock by active cores{heat}"
    return _levels(expected, counts, top, title=title, across="active cores; of each number the highest of any core")


def clock_by_core(expected: Expected) -> Chart | None:
    """Each core's own allowed clock while it is active alone; None where all have the same."""
    if len(folded(expected.cores, lambda core: _alone(expected, core))) < 2:
        return None
    cores = [float(core) for core in expected.cores]

    def own(core: float, width: int) -> float | None:
        return _top(expected, (int(core),), 1, width, expected.moments[0])

    return _levels(expected, cores, own, title="Allowed clock of each core, active alone", across="core")


def clock_by_temperature(expected: Expected) -> Chart | None:
    """With all cores active; None where no step down is declared, or one temperature is asked for."""
    steps = [moment for moment in expected.moments if moment is not None]
    if not steps or expected.temperature_c is not None:
        return None
    edges = [min(steps) - _COOLER_K, *steps, max(steps) + _HOTTER_K]
    everybody = expected.spans[-1][1]

    def tops(number: int) -> tuple[float | None, ...]:
        width = expected.widths[number][0]
        return tuple(_top(expected, expected.cores, everybody, width, at_c) for at_c in (None, *steps))

    series = []
    for numbers, values in folded(range(len(expected.widths)), tops):
        parts = [(*ends, top) for ends, top in zip(pairwise(edges), values, strict=True) if top is not None]
        if parts:
            flat = [(begin, top, end, top) for begin, end, top in parts]
            falls = [(begin, before, begin, top) for (_, _, before), (begin, _, top) in pairwise(parts)]
            points = [((begin + end) / 2.0, top) for begin, end, top in parts]
            name = " and ".join(widths_text(expected.widths[number]) for number in numbers)
            series.append(Series(name=name, points=points, strokes=[*flat, *falls]))
    if not series:
        return None
    below, unit = f"below {units.show(steps[0], units.TEMPERATURE)}", f" {_unit(expected)} "
    spells = [below, *(f"from {units.show(at_c, units.TEMPERATURE)}" for at_c in steps)]
    told = (f"{one.name}: {', '.join(_spelt(one.points, spells, unit, _digits(expected)))}" for one in series)
    return chart(
        series,
        title="Allowed clock by temperature, all cores active",
        alternative="; ".join(told),
        across=f"processor temperature in {units.TEMPERATURE.base}, where a step down begins",
        up=_unit(expected),
        ends=(edges[0], edges[-1]),
        below=[(at_c, number_text(at_c)) for at_c in steps],
        digits=_digits(expected),
    )


def voltage_by_ratio(expected: Expected) -> Chart | None:
    """The factory's points, what every core asks for, and what a load line leaves of it; None without a curve."""
    curves = [(cores, curve) for cores, curve in folded(expected.cores, lambda c: curve_of(expected.sheet, c)) if curve]
    ratios = sorted({ratio for _, curve in curves for ratio, _ in curve})
    if len(ratios) < 2:
        return None
    factory = sorted((point.ratio, point.voltage_v) for point in expected.sheet.voltages.curve)
    series = [_joined("the factory's points", factory)] if factory else []
    for cores, curve in curves:
        whose = f", {core_text(cores)}" if len(curves) > 1 else ""
        series.append(_joined(f"asked for, offsets included{whose}", curve))
    load_line, current_a = expected.sheet.voltages.load_line_mohm, expected.current_a
    if load_line is not None and current_a is not None:
        line = [(r, under_current(v, current_a=current_a, load_line_mohm=load_line)) for r, v in curves[0][1]]
        whose = f", {core_text(curves[0][0])}" if len(curves) > 1 else ""
        series.append(_joined(f"left at {units.show(current_a, units.CURRENT)}{whose}", line))
    return chart(
        series,
        title="Voltage over ratio",
        alternative=_volts(series),
        across="ratio",
        up=units.VOLTAGE.base,
        ends=(ratios[0], max(ratios[-1], *(r for r, _ in factory), ratios[0] + 1.0)),
        below=[(ratio, number_text(ratio)) for ratio in ratios],
        digits=2,
    )


def _levels(
    expected: Expected,
    places: Sequence[float],
    top: Callable[[float, int], float | None],
    *,
    title: str,
    across: str,
) -> Chart | None:
    """A short level for each place and each width, side by side, so that equal ones do not hide each other."""
    each = _LEVEL / len(expected.widths)
    series = []
    for number, members in enumerate(expected.widths):
        points, strokes = [], []
        for place in places:
            value = top(place, members[0])
            if value is not None:
                begin = place - _LEVEL / 2.0 + number * each
                points.append((begin + each / 2.0, value))
                strokes.append((begin, value, begin + each, value))
        if points:
            series.append(Series(name=widths_text(members), points=points, strokes=strokes))
    if not series:
        return None
    every = -(-len(places) // _MOST_LABELS)
    return chart(
        series,
        title=title,
        alternative=f"{title}. {_spoken(places, top, expected)}",
        across=across,
        up=_unit(expected),
        ends=(places[0] - 0.5, places[-1] + 0.5),
        below=[(place, number_text(place)) for place in places[::every]],
        digits=_digits(expected),
    )


def _top(expected: Expected, cores: Sequence[int], active: int, width: int, at_c: float | None) -> float | None:
    """The highest that one of these cores is allowed, in the chart's unit."""
    clocks = expected.sheet.clocks
    found = [allowed(clocks, core=core, active=active, width=width, temperature_c=at_c) for core in cores]
    known = [each.ratio if each.clock_mhz is None else each.clock_mhz for each in found if each is not None]
    return max(known, default=None)


def _alone(expected: Expected, core: int) -> tuple[float | None, ...]:
    return tuple(_top(expected, (core,), 1, members[0], expected.moments[0]) for members in expected.widths)


def _joined(name: str, points: Sequence[tuple[float, float]]) -> Series:
    return Series(name=name, points=points, strokes=[(*first, *second) for first, second in pairwise(points)])


def _spoken(places: Sequence[float], top: Callable[[float, int], float | None], expected: Expected) -> str:
    told = []
    for members in expected.widths:
        values = (top(place, members[0]) for place in (places[0], places[-1]))
        first, last = ("not declared" if value is None else number_text(value) for value in values)
        told.append(f"{widths_text(members)}: {first} to {last} {_unit(expected)}")
    return f"{'; '.join(told)}, from {number_text(places[0])} to {number_text(places[-1])}; the tables say all"


def _spelt(points: Sequence[tuple[float, float]], spells: Sequence[str], unit: str, digits: int) -> Iterator[str]:
    for (_, value), spell in zip(points, spells, strict=True):
        yield f"{value:.{digits}f}{unit}{spell}"


def _volts(series: Sequence[Series]) -> str:
    """Every point of every line in words: they are few."""
    return "; ".join(
        f"{one.name}: " + ", ".join(f"{volts:.3f} V at ratio {number_text(ratio)}" for ratio, volts in one.points)
        for one in series
    )


def _unit(expected: Expected) -> str:
    return "ratio" if expected.sheet.clocks.reference_mhz is None else units.FREQUENCY.base


def _digits(expected: Expected) -> int:
    return 2 if expected.sheet.clocks.reference_mhz is None else 0
