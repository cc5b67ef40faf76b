"""The view of a verdict's operating points: a grid of cores × groups of active cores × register widths.

Cores that fared alike share a row. Steps down have no columns of their own: no plan can command a temperature.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from soakd import units
from soakd.model.corelist import ranges
from soakd.rules.point_words import folded, group_text, said, spans, width_text
from soakd.rules.points import POINT_KINDS, Point

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from soakd.model.verdict import PointVisit, StageResult

MARKS = {
    "wrong": "✗",
    "not reached": "▼",
    "faster": "▲",
    "short": "□",
    "covered": "■",
    "not visited": "·",
}
"""State to mark, gravest first; a cell with several steps shows the gravest of those that were visited."""
MEANINGS = {
    "wrong": "wrong results",
    "not reached": "the clock stayed below the allowed one",
    "faster": "the clock was above the allowed one",
    "short": "less load than the plan's floor asks for",
    "covered": "covered",
    "not visited": "not visited",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """What became of one group and width on the cores of a row."""

    state: str
    dwelt_s: float
    """Of the core that dwelt least."""

    @property
    def mark(self) -> str:
        return MARKS[self.state]


@dataclass(frozen=True, slots=True, kw_only=True)
class GridRow:
    """Cores that fared alike, and their cells: group by group, in each width by width."""

    cores: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PointsView:
    """The grid, and what does not fit into it."""

    groups: tuple[str, ...]
    widths: tuple[int, ...]
    rows: tuple[GridRow, ...]
    counts: str
    steps: tuple[str, ...]
    """One line for each step down: where it was reached."""
    legend: tuple[tuple[str, str], ...]
    """The marks that occur, with their meaning."""
    visited: tuple[PointLine, ...]
    left_out: tuple[str, ...]
    """Lines that together name every core, group and width that was not visited at any temperature."""
    elsewhere: str = ""
    """Which wrong results are in no cell, and why; else empty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PointLine:
    """One visited point in numbers."""

    where: str
    state: str
    facts: tuple[str, ...]


def points_view(points: Sequence[PointVisit], stages: Sequence[StageResult] = ()) -> PointsView | None:
    """None for a verdict that counted no points. `stages`: for their wrong results that are those of no point."""
    if not points:
        return None
    cores = sorted({point.core for point in points})
    named = sorted({point.active for point in points})
    widths = sorted({point.width for point in points})
    places = _places(points)
    cells = {place: _cell(visits) for place, visits in places.items()}
    columns = [(active, width) for active in named for width in widths]
    rows = folded(cores, lambda core: tuple(cells[core, *column].state for column in columns))
    present = {cell.state for cell in cells.values()}
    unvisited = [Point(*place, 0) for place, visits in places.items() if not any(_was_at(v) for v in visits)]
    return PointsView(
        groups=tuple(group_text(span) for span in spans(named)),
        widths=tuple(widths),
        rows=tuple(
            GridRow(
                cores=ranges(members).replace(",", ", "),
                cells=tuple(_least(cells, members, column) for column in columns),
            )
            for members, _ in rows
        ),
        counts=_counts(points),
        steps=tuple(_steps(points)),
        legend=tuple((mark, MEANINGS[state]) for state, mark in MARKS.items() if state in present),
        visited=tuple(_line(point, spans(named)) for point in points if _was_at(point)),
        left_out=tuple(said(unvisited, named=named, cores=cores)),
        elsewhere=_elsewhere(stages),
    )


def _places(points: Sequence[PointVisit]) -> dict[tuple[int, int, int], list[PointVisit]]:
    found: dict[tuple[int, int, int], list[PointVisit]] = {}
    for point in points:
        found.setdefault((point.core, point.active, point.width), []).append(point)
    return found


def _cell(visits: Sequence[PointVisit]) -> Cell:
    states = {"wrong" if visit.errors else visit.state for visit in visits if _was_at(visit)}
    state = next((state for state in MARKS if state in states), "not visited")
    return Cell(state=state, dwelt_s=sum(visit.dwelt_s for visit in visits))


def _was_at(visit: PointVisit) -> bool:
    return visit.state != "not visited" or visit.errors > 0


def _least(cells: dict[tuple[int, int, int], Cell], members: Sequence[int], column: tuple[int, int]) -> Cell:
    return min((cells[core, *column] for core in members), key=lambda cell: cell.dwelt_s)


def _counts(points: Sequence[PointVisit]) -> str:
    states = [point.state for point in points]
    others = (state for state in MARKS if state not in {"covered", "wrong"} and state in states)
    parts = [f"{states.count('covered')} of {len(points)} covered"]
    return ", ".join(parts + [f"{states.count(state)} {state}" for state in others])


def _elsewhere(stages: Sequence[StageResult]) -> str:
    """Of what waits for memory or for other cores, and so holds no core at a point."""
    wrong = [stage for stage in stages if stage.mismatches and stage.workload.partition("/")[0] not in POINT_KINDS]
    if not wrong:
        return ""
    count = sum(stage.mismatches for stage in wrong)
    results = "1 wrong result" if count == 1 else f"{count} wrong results"
    kinds = ", ".join(sorted({stage.workload.partition("/")[0] for stage in wrong}))
    return (
        f"In no cell: {results} of stages that hold no core at an operating point ({kinds}), and so say nothing of a "
        "core's clock or width"
    )


def _steps(points: Sequence[PointVisit]) -> Iterator[str]:
    for from_c in sorted({point.from_c for point in points if point.from_c is not None}):
        at = [point for point in points if point.from_c == from_c]
        visited = [point for point in at if _was_at(point)]
        where = f"at {len(visited)} of {len(at)} points" if visited else "nowhere"
        yield f"from {units.show(from_c, units.TEMPERATURE)}: visited {where}"


def _line(point: PointVisit, named: Sequence[tuple[int, int]]) -> PointLine:
    span = next(span for span in named if span[1] == point.active)
    step = "" if point.from_c is None else f", from {units.show(point.from_c, units.TEMPERATURE)}"
    clock, allowed = point.clock, point.allowed_mhz
    seen = "clock not observed"
    if clock is not None:
        seen = f"{clock.median_mhz:.0f} MHz ({clock.minimum_mhz:.0f} to {clock.maximum_mhz:.0f})"
    seen += "" if allowed is None else f", {allowed:.0f} allowed"
    if point.below_s or point.above_s:
        off = ((point.below_s, "below"), (point.above_s, "above"))
        seen += "".join(f", {seconds:.0f} s {side}" for seconds, side in off if seconds)
    return PointLine(
        where=f"core {point.core}, {group_text(span)}, {width_text(point.width)}{step}",
        state=point.state,
        facts=(
            f"{units.duration_text(point.dwelt_s)} of {units.duration_text(point.planned_s)} planned",
            f"{point.rounds} rounds, " + (f"{point.errors} WRONG" if point.errors else "none wrong"),
            seen,
            *(
                ()
                if point.shown_s is None
                else (f"shows {units.duration_text(point.shown_s)} between errors at least",)
            ),
        ),
    )
