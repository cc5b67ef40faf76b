"""A verdict, a listing and a running soak for the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Group
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from soakd.report.leads import leads_parts
from soakd.report.measured import in_a_room
from soakd.report.points_text import PointGrid, point_parts
from soakd.report.view import VerdictView, view

if TYPE_CHECKING:
    from collections.abc import Iterable

    from rich.console import RenderableType

    from soakd.model.verdict import Verdict

OUTCOME_STYLES = {
    "pass": "bold white on dark_green",
    "fail": "bold white on dark_red",
    "inconclusive": "bold black on gold3",
}
WIDEST_KEY = 32
CAUTION = (
    "A pass covers what was visited, on this bench, with these settings and at these temperatures; it is no warranty. "
    "Makers' limits on voltage, current and temperature come first."
)


def verdict_text(verdict: Verdict, *, points: bool = False, room_c: float | None = None) -> Group:
    """The whole verdict, outcome and reasons first. With `points`, every operating point in numbers; with `room_c`,
    what would be left of its limits in such a room.
    """
    shown = view(verdict)
    parts: list[RenderableType] = [_headline(shown), _pairs(shown.identity)]
    if shown.reasons:
        parts += _section("Reasons", (Text(f"• {line}") for line in shown.reasons))
    if found := leads_parts(verdict):
        parts += _section("Where to look next", found)
    parts += _section("Stages", [_stages(shown)])
    parts += _section(
        "Margins", [_margins(shown)] if shown.margins else [Text("no limit watches any sensor of this bench")]
    )
    parts += _section("Coverage", [_pairs(shown.coverage)])
    if shown.points is not None:
        parts += _section(f"Operating points: {shown.points.counts}", [PointGrid(shown.points)])
        if points:
            parts += _section("Each of them", point_parts(shown.points))
    for section in (*shown.numbers, *(() if room_c is None else (in_a_room(verdict, room_c),))):
        parts += _section(section.title, [_pairs(section.rows)])
    parts += _section("Guard", [_pairs(shown.guard)])
    parts += _section("Bench", [_pairs(shown.settings)])
    if shown.declared:
        parts += _section("Declared", [_pairs(shown.declared)])
    if shown.notes:
        parts += _section("What limits its meaning", (Text(f"• {line}") for line in shown.notes))
    parts += ["", Text(CAUTION, style="dim italic")]
    return Group(*parts)


def _headline(shown: VerdictView) -> Group:
    badge = Text(f" {shown.outcome.upper()} ", style=OUTCOME_STYLES[shown.outcome])
    scope = [Text(shown.scope)] if shown.scope else []
    return Group("", Text.assemble(badge, "  ", (shown.headline, "bold")), Text(shown.saying), *scope, "")


def _section(title: str, body: Iterable[RenderableType]) -> list[RenderableType]:
    return ["", Text(title, style="bold"), *(Padding(part, (0, 0, 0, 2)) for part in body)]


def _pairs(rows: Iterable[tuple[str, str]]) -> Table:
    table = Table.grid(padding=(0, 2))
    table.add_column(style="dim", max_width=WIDEST_KEY, overflow="fold")
    table.add_column(overflow="fold")
    for key, value in rows:
        table.add_row(Text(key), Text(value))
    return table


def _stages(shown: VerdictView) -> Table:
    table = Table.grid(padding=(0, 2))
    table.add_column(style="dim", no_wrap=True)
    table.add_column(overflow="fold")
    for row in shown.stages:
        state = (row.state, "" if row.state == "complete" else "bold")
        facts = Text("\n".join(row.facts), style="bold red" if row.mismatches else "")
        table.add_row(row.number, Text.assemble((row.name, "bold"), "  ", state, "\n", (row.load, "dim"), "\n", facts))
    return table


def _margins(shown: VerdictView) -> Table:
    table = Table.grid(padding=(0, 2))
    table.add_column(no_wrap=True, justify="right", style="bold")
    table.add_column(overflow="fold")
    for row in shown.margins:
        about = Text.assemble(row.what, "\n", (f"came to {row.nearest}, {row.bound} ({row.origin})", "dim"))
        table.add_row(f"{row.left} left", about)
    return table
