"""What a sheet lets one expect, for the terminal: tables by temperature, two plots, and the same for machines."""

from __future__ import annotations

from string import ascii_letters
from typing import TYPE_CHECKING, Any

from rich import box
from rich.console import Group
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from soakd import units
from soakd.report.plot import Series, plotted
from soakd.rules.allowed import allowed
from soakd.rules.curve import curve_of, under_current, voltage_at
from soakd.rules.expectation import WIDTHS, cores_of, expectations
from soakd.rules.point_words import core_text, folded, group_text, width_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from rich.console import RenderableType

    from soakd.model.sheet import Sheet
    from soakd.rules.expectation import Expectation

NO_CLOCK = (
    "declares no ratio limit, and no core's own ceiling: no clock can be expected; add `limits` or `cores` to [clocks]"
)
_NOTHING = "–"
_AS_ABOVE = '"'
_MARKS = "o+x#"
_SCALE = 12
"""Columns beside a plot: its indent and its scale."""
_LABELS, _BESIDE = 32, 16
"""Columns of a table's labels, and of one width where both voltages stand side by side."""


class Expected:
    """All that is expected by one sheet, and how its tables are laid out."""

    def __init__(self, sheet: Sheet, *, current_a: float | None = None, temperature_c: float | None = None) -> None:
        self.sheet = sheet
        self.current_a = current_a
        self.temperature_c = temperature_c
        self.rows = expectations(sheet, current_a=current_a, temperature_c=temperature_c)
        self.cores = cores_of(sheet)
        self.moments = tuple(dict.fromkeys(row.from_c for row in self.rows))
        self.spans = tuple(dict.fromkeys(row.active for row in self.rows))
        self.widths = tuple(members for members, _ in folded(WIDTHS, self._told))
        """Register widths, those together at which everything is the same."""
        self._by = {(row.from_c, row.active, row.core, row.width): row for row in self.rows}
        self.letters = dict(zip(dict.fromkeys(map(self.reason, self.rows)), ascii_letters, strict=False))
        """What holds a clock where it is, to the letter for it."""

    def at(self, moment_c: float | None, active: tuple[int, int], core: int, width: int) -> Expectation:
        return self._by[moment_c, active, core, width]

    def reason(self, row: Expectation) -> str:
        """What holds before any step down, which a table's heading tells."""
        found = allowed(self.sheet.clocks, core=row.core, active=row.active[1], width=row.width, temperature_c=None)
        return found.because if found else ""

    def _told(self, width: int) -> tuple[object, ...]:
        return tuple((row.allowed, row.set_v, row.pins_v) for row in self.rows if row.width == width)


def expected_text(expected: Expected, width: int) -> Group:
    """The tables, what they mean, and the plots, for a screen so many columns wide."""
    parts: list[RenderableType] = [Text(expected.sheet.name, style="bold")]
    if not any(row.allowed for row in expected.rows):
        return Group(*parts, Text(NO_CLOCK))
    for moment_c in expected.moments:
        parts += [
            "",
            Text(f"Expected {moment_text(expected, moment_c)}", style="bold"),
            Padding(_table(expected, moment_c, width), (0, 0, 0, 2)),
        ]
    parts += [Padding(Text(line), (0, 0, 0, 2)) for line in explained(expected)]
    for title, lines in (
        ("Allowed clock over active cores", clock_plot(expected, width - _SCALE)),
        ("Voltage over ratio", voltage_plot(expected, width - _SCALE)),
    ):
        if lines:
            parts += ["", Text(title, style="bold"), *(Text(f"  {line}", no_wrap=True) for line in lines)]
    return Group(*parts)


def moment_text(expected: Expected, moment_c: float | None) -> str:
    if moment_c is None:
        later = [each for each in expected.moments if each is not None]
        return f"below {units.show(min(later), units.TEMPERATURE)}" if later else "at any temperature"
    word = "from" if expected.temperature_c is None else "at"
    return f"{word} {units.show(moment_c, units.TEMPERATURE)}"


def _table(expected: Expected, moment_c: float | None, width: int) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("", overflow="fold")
    table.add_column("", overflow="fold")
    for members in expected.widths:
        table.add_column(widths_text(members), justify="right", no_wrap=True)
    between = " > " if _LABELS + _BESIDE * len(expected.widths) <= width else "\n> "
    before = expected.moments[: expected.moments.index(moment_c)]
    for active in expected.spans:
        cells = _cells(expected, moment_c, active, between)
        if before and cells == _cells(expected, before[-1], active, between):
            table.add_row(group_text(active), "as above", *(_AS_ABOVE for _ in expected.widths))
            continue
        for number, (members, row) in enumerate(folded(expected.cores, cells.__getitem__)):
            about = "" if number else group_text(active)
            table.add_row(about, core_text(members, expected.cores), *map(Text, row))
    return table


def _cells(
    expected: Expected, moment_c: float | None, active: tuple[int, int], between: str
) -> dict[int, tuple[str, ...]]:
    """Core to its row."""
    return {
        core: tuple(_cell(expected, expected.at(moment_c, active, core, w[0]), between) for w in expected.widths)
        for core in expected.cores
    }


def _cell(expected: Expected, row: Expectation, between: str) -> str:
    if row.allowed is None:
        return _NOTHING
    top = row.allowed.ratio if row.allowed.clock_mhz is None else row.allowed.clock_mhz
    lines = [f"{number_text(top)} {expected.letters[expected.reason(row)]}"]
    if row.set_v is not None:
        lines.append(f"{row.set_v:.3f}" + ("" if row.pins_v is None else f"{between}{row.pins_v:.3f}"))
    return "\n".join(lines)


def widths_text(widths: Sequence[int]) -> str:
    """Scalar; 256 bits; scalar to 256 bits"""
    return " to ".join(dict.fromkeys((width_text(widths[0]), width_text(widths[-1]))))


def number_text(value: float) -> str:
    """4800; 99.76"""
    return f"{value:.2f}".rstrip("0").rstrip(".")


def explained(expected: Expected, ask: str = "say --current") -> Iterator[str]:
    """What numbers and letters in the tables are; `ask`: how a current is given."""
    processor = expected.sheet.processor
    if processor.cores is None and processor.cores_on is None:
        yield "The sheet does not say how many cores there are; shown are as many as its limits name."
    reference_mhz = expected.sheet.clocks.reference_mhz
    if reference_mhz is None:
        yield "First line: ratio, and what holds it there. The sheet declares no reference clock."
    else:
        yield f"First line: MHz at a reference of {number_text(reference_mhz)} MHz, and what holds it there."
    if any(row.pins_v is not None for row in expected.rows):
        load_line = units.show(expected.sheet.voltages.load_line_mohm or 0.0, units.RESISTANCE)
        current = units.show(expected.current_a or 0.0, units.CURRENT)
        yield f"Below: volts asked for > volts left by a load line of {load_line} at {current}."
    elif any(row.set_v is not None for row in expected.rows):
        open_ = "the sheet declares no load line" if expected.sheet.voltages.load_line_mohm is None else ask
        yield f"Below: volts asked for. For what a load line leaves of them: {open_}."
    else:
        yield "The sheet declares no voltage curve, so no voltage is expected."
    yield from (f"{letter}  {reason}" for reason, letter in expected.letters.items() if reason)


def clock_plot(expected: Expected, columns: int) -> list[str]:
    """The highest allowed clock of any core, one mark for each column of the tables, side by side."""
    if len(expected.cores) == 1:
        return []
    moment_c = expected.moments[0]
    slot = len(expected.widths) + 1
    counts = [count for active in expected.spans for count in range(active[0], active[1] + 1)]
    if len(counts) * slot > columns:
        counts = [active[1] for active in expected.spans]
    series = []
    for place, members in enumerate(expected.widths):
        tops = [_top(expected, moment_c, count, members[0]) for count in counts]
        points = [(number * slot + place, top) for number, top in enumerate(tops) if top is not None]
        series.append(Series(mark=_MARKS[place], points=points))
    unit, digits = ("ratio", 2) if expected.sheet.clocks.reference_mhz is None else ("MHz", 0)
    middles = [(number * slot + (slot - 2) // 2, str(count)) for number, count in enumerate(counts)]
    marks = (f"{mark} {widths_text(members)}" for mark, members in zip(_MARKS, expected.widths, strict=False))
    heat = "" if moment_c is None and len(expected.moments) == 1 else f", {moment_text(expected, moment_c)}"
    legend, about = "   ".join(marks), f"(highest of any core{heat})"
    beside = f"{legend}   {about}"
    return [
        *plotted(series, columns=len(counts) * slot, below=middles, unit=unit, digits=digits),
        *([beside] if len(beside) <= columns + _SCALE - 2 else [legend, about]),
    ]


def _top(expected: Expected, moment_c: float | None, count: int, width: int) -> float | None:
    active = next(each for each in expected.spans if each[0] <= count <= each[1])
    found = [expected.at(moment_c, active, core, width).allowed for core in expected.cores]
    tops = [each.ratio if each.clock_mhz is None else each.clock_mhz for each in found if each is not None]
    return max(tops, default=None)


def voltage_plot(expected: Expected, columns: int) -> list[str]:
    """Every curve that a core has, its declared points, and what a load line leaves of it."""
    curves = folded(expected.cores, lambda core: curve_of(expected.sheet, core))
    low, high = (
        min((c[0][0] for _, c in curves if c), default=0.0),
        max((c[-1][0] for _, c in curves if c), default=0.0),
    )
    if high <= low:
        return []
    load_line_mohm, current_a = expected.sheet.voltages.load_line_mohm, expected.current_a
    line: list[tuple[int, float]] = []
    declared: list[tuple[int, float]] = []
    for _, curve in curves:
        last = round((curve[-1][0] - low) / (high - low) * (columns - 1))
        for column in range(last + 1):
            volts = voltage_at(curve, low + (high - low) * column / (columns - 1))
            line += [] if volts is None else [(column, volts)]
        declared += [(round((ratio - low) / (high - low) * (columns - 1)), volts) for ratio, volts in curve]
    series = [Series(mark=".", points=line), Series(mark="o", points=declared)]
    legend = "o declared, offsets included   . between them"
    if load_line_mohm is not None and current_a is not None:
        left = [(c, under_current(v, current_a=current_a, load_line_mohm=load_line_mohm)) for c, v in line]
        series.insert(0, Series(mark=":", points=left))
        legend += f"   : left at {units.show(current_a, units.CURRENT)}"
    ratios = [(round(part * (columns - 1) / 4), f"{low + (high - low) * part / 4:g}") for part in range(5)]
    return [*plotted(series, columns=columns, below=ratios, unit="V", digits=3), legend]


def expected_json(expected: Expected) -> dict[str, Any]:
    """One entry for each core, number of active cores, width and temperature."""
    return {
        "sheet": expected.sheet.name,
        "current_a": expected.current_a,
        "expected": [
            {
                "core": row.core,
                "active_from": row.active[0],
                "active_to": row.active[1],
                "width": row.width,
                "from_c": row.from_c,
                "ratio": None if row.allowed is None else row.allowed.ratio,
                "clock_mhz": None if row.allowed is None else row.allowed.clock_mhz,
                "because": None if row.allowed is None else row.allowed.because,
                "set_v": row.set_v,
                "pins_v": row.pins_v,
            }
            for row in expected.rows
        ],
    }
