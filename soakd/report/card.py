"""A small picture of a verdict, for a label or a post: SVG of fixed size, its text as text."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Final

from soakd.report.assets import environment
from soakd.report.glance import glance
from soakd.report.view import view

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.model.verdict import Verdict

COLOURS: Final = {"pass": "#1c5a45", "fail": "#98201c", "inconclusive": "#6f4e00"}
_TITLE: Final = 44
"""Letters of a line; so is the next."""
_VALUE: Final = 44
_LINES: Final = 2
_FIRST_Y: Final = 130
_LINE_Y: Final = 20
_GAP_Y: Final = 6
_FOOT_Y: Final = 74


def card(verdict: Verdict, signed: str) -> str:
    """`signed`: who signed it, or that nobody did, in words."""
    shown = view(verdict)
    rows, y = [], _FIRST_Y
    for key, value in glance(verdict, shown):
        lines = list(cut(value, _VALUE, _LINES))
        rows.append((y, key, lines))
        y += _LINE_Y * len(lines) + _GAP_Y
    (title,) = cut(shown.headline, _TITLE, 1)
    return environment().get_template("card.svg").render(
        outcome=shown.outcome,
        colour=COLOURS[shown.outcome],
        title=title,
        drill=verdict.drill,
        rows=rows,
        line_y=_LINE_Y,
        foot_y=y,
        height=y + _FOOT_Y,
        identity=f"{verdict.started_utc[:10]} · run {verdict.run_id} · settings {verdict.fingerprint[:16]}…",
        signed=signed,
    )  # fmt: skip


def cut(text: str, width: int, most: int) -> Iterator[str]:
    """At most so many lines, the last with an ellipsis where something is left out; only letters that can be seen."""
    seen = "".join(letter if letter.isprintable() else " " for letter in text)
    yield from textwrap.wrap(seen, width, max_lines=most, placeholder=" …") or [""]
