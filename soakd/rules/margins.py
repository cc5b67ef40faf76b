"""How near each bound came over a run, from what its events tell; the same while the run goes on and afterwards."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.model.journal import Found, StageEnded, StageStarted, Tick
from soakd.model.verdict import LimitMargin
from soakd.rules.gauges import Gauges

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.model.journal import Event
    from soakd.model.run import RunRecord

BROKEN = "limit-broken"
"""The guard's rule."""


class Margins:
    """Feed it every event of a run in order."""

    def __init__(self, record: RunRecord) -> None:
        self._bounds = record.bounds
        self._stages = record.plan.stages
        self._gauges = Gauges(record.bounds, record.plan.guard.tick_s)
        self._nearest: dict[int, tuple[float, float]] = {}
        self.now: dict[int, float] = {}
        """Number of each bound to what is held against it now."""

    def take(self, event: Event) -> dict[int, float]:
        """What this event adds: number of a bound to what is held against it at that moment."""
        added: dict[int, float] = {}
        match event:
            case StageStarted():
                self._gauges.stage_begins(event.at_s, self._stages[event.stage].duration_s)
            case StageEnded():
                self._gauges.stage_ends()
            case Tick():
                self.now = added = self._gauges.take(event.at_s, event.values)
            case Found() if event.finding.rule == BROKEN and event.finding.limit is not None:
                if event.finding.sample is not None:
                    added = {event.finding.limit: event.finding.sample}
            case _:
                pass
        for number, watched in added.items():
            margin = self._bounds[number].margin
            if number not in self._nearest or margin(watched) < margin(self._nearest[number][1]):
                self._nearest[number] = event.at_s, watched
        return added

    def summaries(self) -> tuple[LimitMargin, ...]:
        """One for each bound, in their order."""
        return tuple(self._summaries())

    def _summaries(self) -> Iterator[LimitMargin]:
        for number, bound in enumerate(self._bounds):
            at_s, nearest = self._nearest.get(number, (None, None))
            left = None if nearest is None else bound.margin(nearest)
            yield LimitMargin(nearest=nearest, left=left, at_s=at_s)
