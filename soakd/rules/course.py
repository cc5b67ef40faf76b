"""The course of a run: what followed channels read in each stage, and how near each limit came over the whole time."""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from soakd.model.channels import Role
from soakd.model.journal import Found, StageEnded, StageStarted, Tick
from soakd.model.rehearsal import Course, RehearsedStage, Strip
from soakd.rules.gauges import Gauges
from soakd.rules.thinning import places

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from soakd.model.journal import Event
    from soakd.model.limits import Bound
    from soakd.model.run import RunRecord

PARTS: Final = 60
"""Of a strip's time, where no other number is asked for."""
FOLLOWED: Final = frozenset({Role.CPU_TEMPERATURE.value, Role.COOLANT_TEMPERATURE.value, Role.PACKAGE_POWER.value})


@dataclass(slots=True)
class _Span:
    """One stage from the start of its load."""

    index: int
    begin_s: float
    end_s: float
    first: dict[str, float]
    last: dict[str, float] = field(default_factory=dict)
    peak: dict[str, float] = field(default_factory=dict)
    complete: bool = False


@dataclass(slots=True)
class _Watched:
    """What was held against one bound; also what broke it, for no tick comes after that."""

    times_s: array[float] = field(default_factory=lambda: array("d"))
    values: array[float] = field(default_factory=lambda: array("d"))

    def add(self, at_s: float, value: float) -> None:
        self.times_s.append(at_s)
        self.values.append(value)


class Courses:
    """Feed it every event of a run in order."""

    def __init__(self, record: RunRecord, followed: Collection[str] = FOLLOWED) -> None:
        """`followed`: the roles of channels whose course is kept stage by stage."""
        self._plan = record.plan
        self._bounds = record.bounds
        self._gauges = Gauges(record.bounds, record.plan.guard.tick_s)
        self._followed = tuple(info.name for info in record.channels if info.role in followed)
        self._watched: list[_Watched] = [_Watched() for _ in record.bounds]
        self._spans: list[_Span] = []
        self._values: Mapping[str, float] = {}

    def take(self, event: Event) -> None:
        match event:
            case StageStarted():
                first = self._of(self._values)
                self._spans.append(_Span(index=event.stage, begin_s=event.at_s, end_s=event.at_s, first=first))
                self._gauges.stage_begins(event.at_s, self._plan.stages[event.stage].duration_s)
            case Tick():
                self.tick(event.at_s, event.stage, event.values)
            case Found() if event.finding.limit is not None and event.finding.sample is not None:
                self._watched[event.finding.limit].add(event.at_s, event.finding.sample)
            case StageEnded() if self._spans:
                self._spans[-1].end_s, self._spans[-1].complete = event.at_s, event.complete
                self._gauges.stage_ends()
            case _:
                pass

    def stages(self) -> tuple[RehearsedStage, ...]:
        """Those whose load began."""
        return tuple(
            RehearsedStage(
                index=span.index,
                begin_s=span.begin_s,
                end_s=span.end_s,
                complete=span.complete,
                courses={
                    name: Course(begin=span.first.get(name), end=span.last.get(name), peak=span.peak.get(name))
                    for name in self._followed
                },
            )
            for span in self._spans
        )

    def strips(self, ended_s: float, parts: int = PARTS) -> tuple[Strip, ...]:
        pairs = zip(self._bounds, self._watched, strict=True)
        return tuple(_strip(bound, watched, ended_s, parts) for bound, watched in pairs)

    def tick(self, at_s: float, stage: int | None, values: Mapping[str, float]) -> None:
        """One tick, for whoever has its parts alone."""
        self._values = values
        for number, watched in self._gauges.take(at_s, values).items():
            self._watched[number].add(at_s, watched)
        if stage is not None and self._spans and stage == self._spans[-1].index:
            span = self._spans[-1]
            span.end_s, span.last = at_s, self._of(values)
            span.peak |= {name: max(value, span.peak.get(name, value)) for name, value in span.last.items()}

    def _of(self, values: Mapping[str, float]) -> dict[str, float]:
        return {name: values[name] for name in self._followed if name in values}


def _strip(bound: Bound, watched: _Watched, ended_s: float, parts: int) -> Strip:
    begins = places(watched.times_s, ended_s, parts)
    nearest = _worst(bound, watched.values)
    return Strip(
        bound=bound,
        worst=tuple(_worst(bound, watched.values[begin:end]) for begin, end in pairwise(begins)),
        farthest=max(
            watched.values if bound.side == "outside" else _ends(watched.values), key=bound.margin, default=None
        ),
        nearest=nearest,
        nearest_s=None if nearest is None else watched.times_s[watched.values.index(nearest)],
    )


def _worst(bound: Bound, values: array[float]) -> float | None:
    """Least is left at one of the ends, for no bound lies in the middle of what it allows."""
    return min(_ends(values), key=bound.margin, default=None)


def _ends(values: array[float]) -> tuple[float, ...]:
    return (min(values), max(values)) if values else ()
