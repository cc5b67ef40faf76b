"""The grid of operating points as a fragment of HTML: one table with a caption, headings with a scope, no style."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from soakd import units
from soakd.report.points import MEANINGS
from soakd.rules.point_words import width_text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.report.points import Cell, PointsView


def points_html(shown: PointsView) -> str:
    """What a cell means is said in words too; the mark is for the eye."""
    return "\n".join(_lines(shown)) + "\n"


def _lines(shown: PointsView) -> Iterator[str]:
    span = len(shown.widths)
    yield '<table class="points">'
    yield f"<caption>Operating points: {escape(shown.counts)}</caption>"
    yield "<thead>"
    groups = "".join(f'<th scope="colgroup" colspan="{span}">{escape(name)}</th>' for name in shown.groups)
    yield f'<tr><th scope="col" rowspan="2">Cores</th>{groups}</tr>'
    widths = "".join(f'<th scope="col">{escape(width_text(width))}</th>' for width in shown.widths)
    yield f"<tr>{widths * len(shown.groups)}</tr>"
    yield "</thead>"
    yield "<tbody>"
    for row in shown.rows:
        cells = "".join(_cell(cell) for cell in row.cells)
        yield f'<tr><th scope="row">{escape(row.cores)}</th>{cells}</tr>'
    yield "</tbody>"
    yield "</table>"
    if shown.steps:
        items = "".join(f"<li>{escape(step)}</li>" for step in shown.steps)
        yield f'<p>Steps down:</p>\n<ul class="steps">{items}</ul>'
    if shown.elsewhere:
        yield f"<p>{escape(shown.elsewhere)}.</p>"


def _cell(cell: Cell) -> str:
    time = f" {escape(units.duration_text(cell.dwelt_s))}" if cell.dwelt_s else ""
    state = cell.state.replace(" ", "-")
    words = f'<span class="words">{escape(MEANINGS[cell.state])}</span>'
    return f'<td class="{state}"><span aria-hidden="true">{cell.mark}</span> {words}{time}</td>'
