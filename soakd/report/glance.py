"""What is read first of a verdict: what was wrong, what was left, how much is proven. For page and card."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.report.wrong import wrong_view

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.model.verdict import Verdict
    from soakd.report.view import MarginRow, VerdictView

Row = tuple[str, str]


def glance(verdict: Verdict, shown: VerdictView) -> Iterator[Row]:
    """In the view's own words."""
    wrong = wrong_view(verdict)
    if wrong is not None:
        yield "wrong results", wrong.counted
    nearest = nearest_limit(verdict, shown)
    if nearest is not None:
        yield "least left", f"{nearest.left}, {nearest.what} {nearest.bound}"
    if shown.points is not None:
        yield "operating points", shown.points.counts
    for section in shown.numbers:
        yield from ((key, value) for key, value in section.rows if key == "mean time between errors")
    yield from ((key, value) for key, value in shown.coverage if key == "checked")


def nearest_limit(verdict: Verdict, shown: VerdictView) -> MarginRow | None:
    """That of which least was left, as a share of itself; None where nothing was held against any."""
    limits = zip(verdict.bounds, verdict.evidence.limits, shown.margins, strict=False)
    left = [(bound.left_share(limit.nearest), row) for bound, limit, row in limits if limit.nearest is not None]
    return min(left, key=lambda each: each[0], default=(0.0, None))[1]
