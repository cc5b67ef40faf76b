"""A sheet as a page shows it: allowed clocks as tables and charts, the voltage curve, what differs from another."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from soakd import units
from soakd.report.declared import declared_rows
from soakd.report.declared_charts import charts
from soakd.report.expect import NO_CLOCK, Expected, explained, moment_text, number_text, widths_text
from soakd.rules.curve import curve_of, under_current
from soakd.rules.point_words import core_text, folded, group_text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.model.sheet import Sheet
    from soakd.report.chart import Chart

Row = tuple[str, str]
NOTHING = "–"


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockCell:
    """What is allowed at one operating point."""

    clock: str
    letter: str
    """For what holds it there."""
    volts: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockRow:
    """Cores of which the same is to be told."""

    active: str
    cores: str
    cells: tuple[ClockCell, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockTable:
    """Everything at one temperature."""

    title: str
    widths: tuple[str, ...]
    rows: tuple[ClockRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class VoltTable:
    """The curve, point by point."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingsView:
    """One sheet."""

    name: str
    note: str
    declared: tuple[Row, ...]
    refusal: str
    """Why no clock can be expected; else empty."""
    charts: tuple[Chart, ...]
    tables: tuple[ClockTable, ...]
    explained: tuple[str, ...]
    volts: VoltTable | None


def settings_view(sheet: Sheet, *, current_a: float | None = None) -> SettingsView:
    """`current_a`: what the load line is reckoned with."""
    expected = Expected(sheet, current_a=current_a)
    known = any(row.allowed for row in expected.rows)
    return SettingsView(
        name=sheet.name,
        note=sheet.note,
        declared=tuple(declared_rows(sheet)),
        refusal="" if known else f"The sheet {NO_CLOCK}.",
        charts=charts(expected),
        tables=tuple(_table(expected, moment_c) for moment_c in expected.moments) if known else (),
        explained=tuple(explained(expected, ask="give a current above")) if known else (),
        volts=_volts(expected),
    )


def _table(expected: Expected, moment_c: float | None) -> ClockTable:
    rows = [
        ClockRow(active=group_text(active), cores=core_text(members, expected.cores), cells=cells)
        for active in expected.spans
        for members, cells in folded(expected.cores, lambda core: _cells(expected, moment_c, active, core))  # noqa: B023 - used at once
    ]
    title = f"Expected {moment_text(expected, moment_c)}"
    return ClockTable(title=title, widths=tuple(map(widths_text, expected.widths)), rows=tuple(rows))


def _cells(expected: Expected, moment_c: float | None, active: tuple[int, int], core: int) -> tuple[ClockCell, ...]:
    return tuple(_cell(expected, moment_c, active, core, members[0]) for members in expected.widths)


def _cell(expected: Expected, moment_c: float | None, active: tuple[int, int], core: int, width: int) -> ClockCell:
    row = expected.at(moment_c, active, core, width)
    if row.allowed is None:
        return ClockCell(clock=NOTHING, letter="", volts="")
    top = row.allowed.ratio if row.allowed.clock_mhz is None else row.allowed.clock_mhz
    volts = "" if row.set_v is None else f"{row.set_v:.3f}"
    volts += "" if row.pins_v is None else f" > {row.pins_v:.3f}"
    return ClockCell(clock=number_text(top), letter=expected.letters[expected.reason(row)], volts=volts)


def _volts(expected: Expected) -> VoltTable | None:
    curves = [(cores, curve) for cores, curve in folded(expected.cores, lambda c: curve_of(expected.sheet, c)) if curve]
    if not curves:
        return None
    several = len(curves) > 1
    line = expected.current_a is not None and expected.sheet.voltages.load_line_mohm is not None
    heads = [
        "ratio",
        "factory",
        "its offset",
        "asked for",
        *(["left"] if line else []),
        *(["cores"] if several else []),
    ]
    rows = tuple(
        row
        for cores, curve in curves
        for row in _volt_rows(expected, curve, (core_text(cores, expected.cores),) if several else (), line=line)
    )
    return VoltTable(heads=tuple(heads), rows=rows)


def _volt_rows(
    expected: Expected, curve: tuple[tuple[float, float], ...], about: tuple[str, ...], *, line: bool
) -> Iterator[tuple[str, ...]]:
    points = {point.ratio: point for point in expected.sheet.voltages.curve}
    whole_v = expected.sheet.voltages.offset_v
    for ratio, volts in curve:
        point = points.get(ratio)
        declared = point is not None and abs(point.voltage_v + point.offset_v + whole_v - volts) < 1e-9
        factory = units.show(point.voltage_v, units.VOLTAGE) if point is not None and declared else NOTHING
        offset_v = (point.offset_v if point is not None and declared else 0.0) + whole_v
        left = []
        if line:
            at_pins = under_current(
                volts, current_a=expected.current_a or 0.0, load_line_mohm=expected.sheet.voltages.load_line_mohm or 0.0
            )
            left = [f"{at_pins:.3f} V"]
        offset = f"{1000.0 * offset_v:+.0f} mV" if offset_v else NOTHING
        yield number_text(ratio), factory, offset, f"{volts:.3f} V", *left, *about
