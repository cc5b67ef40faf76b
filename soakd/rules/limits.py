"""The watch over a run's bounds: hold times, and what follows when one is broken."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd import units
from soakd.model.finding import Finding
from soakd.rules.gauges import Gauges

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from soakd.model.channels import Batch
    from soakd.model.limits import Bound


class BoundWatch:
    """Remembers since when each bound has been broken without a break.

    One that stops the load speaks each time; one that only fails the run or notes it, once in each stage.
    """

    def __init__(self, bounds: Sequence[Bound], tick_s: float = 1.0) -> None:
        self.bounds = tuple(bounds)
        self._gauges = Gauges(self.bounds, tick_s)
        self._since: dict[int, float] = {}
        self._told: set[int] = set()

    def stage_begins(self, at_s: float, duration_s: float) -> None:
        self._told.clear()
        self._gauges.stage_begins(at_s, duration_s)

    def stage_ends(self) -> None:
        self._gauges.stage_ends()

    def observe(self, batch: Batch) -> list[Finding]:
        """Findings for every bound whose hold time is over. A gap neither breaks a bound nor mends it."""
        return list(self._broken(batch))

    def _broken(self, batch: Batch) -> Iterator[Finding]:
        for number, watched in sorted(self._gauges.take(batch.at_s, batch.values).items()):
            bound = self.bounds[number]
            if not bound.broken_by(watched):
                self._since.pop(number, None)
                continue
            held_s = batch.at_s - self._since.setdefault(number, batch.at_s)
            waits_s = bound.hold_s if bound.share_percent is None else 0.0
            if held_s >= waits_s and number not in self._told:
                if bound.then != "stop":
                    self._told.add(number)
                yield breach(number, bound, watched, held_s=held_s)


def breach(number: int, bound: Bound, watched: float, *, held_s: float) -> Finding:
    """What was found; a bound that says `note` changes no outcome."""
    held = f" for {held_s:.1f} s" if bound.hold_s and bound.share_percent is None else ""
    return Finding(
        rule="limit-broken",
        weight="note" if bound.then == "note" else "fail",
        text=f"{bound.role}: {measured_text(bound, watched)}, {bound.text}{held} ({bound.origin})",
        channel=bound.channel,
        sample=watched,
        bound=bound.edge(watched)[1],
        unit=bound.watched_unit,
        limit=number,
    )


def measured_text(bound: Bound, watched: float) -> str:
    """What was seen, in words."""
    seen = units.reading_text(watched, bound.watched_unit)
    if bound.share_percent is not None:
        return f"{bound.what} was beyond its bound for {seen} of the stage so far"
    words = {
        "reading": f"{bound.channel} read {seen}",
        "difference": f"{bound.what} was {seen}",
        "rise": f"{bound.channel} rose by {seen}",
        "count": f"{bound.channel} counted {seen} within an hour",
    }
    return words[bound.measure]
