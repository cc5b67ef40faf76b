"""The grid of operating points for the terminal: marks that do not rely on colour, in as many columns as there are."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from rich.table import Table
from rich.text import Text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import Console, ConsoleOptions, RenderableType

    from soakd.report.points import Cell, GridRow, PointsView

CELL = 4
"""A mark, and a time in three characters."""
SHORTEST_LABEL = 5
LONGEST_LABEL = 12
BETWEEN_GROUPS = " │ "


class PointGrid:
    """Draws itself in the width that it is given, with as many groups side by side as fit."""

    def __init__(self, shown: PointsView) -> None:
        self._shown = shown

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> Iterator[Text]:
        for line in grid_lines(self._shown, options.max_width):
            yield Text(line)


def grid_lines(shown: PointsView, columns: int) -> Iterator[str]:
    """The grid in blocks of whole groups, and its legend below."""
    label = min(LONGEST_LABEL, max(SHORTEST_LABEL, *(len(row.cores) for row in shown.rows)))
    cells = (CELL + 1) * len(shown.widths) - 1
    group = max(cells, *(len(name) for name in shown.groups))
    fit = max(1, (columns - label - 1 + len(BETWEEN_GROUPS)) // (group + len(BETWEEN_GROUPS)))
    for first in range(0, len(shown.groups), fit):
        block = range(first, min(first + fit, len(shown.groups)))
        heads = (shown.groups[number].ljust(group) for number in block)
        widths = " ".join(str(width).rjust(CELL) for width in shown.widths).ljust(group)
        yield f"{'cores':<{label}} {BETWEEN_GROUPS.join(heads)}".rstrip()
        yield f"{'bits':>{label}} {BETWEEN_GROUPS.join(widths for _ in block)}".rstrip()
        for row in shown.rows:
            yield from _row_lines(row, block, len(shown.widths), label, group)
        yield ""
    words = "; ".join(f"{mark}\N{NO-BREAK SPACE}{meaning}" for mark, meaning in shown.legend)
    yield from textwrap.wrap(f"{words}. Times are those of the core that dwelt least.", columns)
    for step in shown.steps:
        yield from textwrap.wrap(f"Step down {step}", columns)
    if shown.elsewhere:
        yield from textwrap.wrap(f"{shown.elsewhere}.", columns)


def _row_lines(row: GridRow, block: range, widths: int, label: int, group: int) -> Iterator[str]:
    first, *more = textwrap.wrap(row.cores, label) or [""]
    cells = (
        " ".join(cell_text(cell) for cell in row.cells[number * widths : (number + 1) * widths]).ljust(group)
        for number in block
    )
    yield f"{first:<{label}} {BETWEEN_GROUPS.join(cells)}".rstrip()
    yield from more


def cell_text(cell: Cell) -> str:
    """Always four characters: ■45s, ■ 7h."""
    return f"{cell.mark}{_brief(cell.dwelt_s):>3}"


def _brief(seconds: float) -> str:
    """A time in at most three characters, rounded down: 45s, 12m, 7h, 30d."""
    if seconds < 1.0:
        return ""
    for unit, length_s, beyond in (("s", 1.0, 100), ("m", 60.0, 100), ("h", 3600.0, 100)):
        if seconds < beyond * length_s:
            return f"{int(seconds / length_s)}{unit}"
    return f"{int(seconds / 86_400.0)}d"


def point_parts(shown: PointsView) -> list[RenderableType]:
    """Every visited point in numbers, and the others by name."""
    return [_point_table(shown), *(Text(f"not visited: {line}") for line in shown.left_out)]


def _point_table(shown: PointsView) -> Table:
    table = Table.grid(padding=(0, 2))
    table.add_column(overflow="fold")
    table.add_column(overflow="fold")
    for line in shown.visited:
        table.add_row(Text(line.where), Text.assemble((line.state, "bold"), "; ", "; ".join(line.facts)))
    return table
