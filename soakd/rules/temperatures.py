"""How warm it was: near each error, and how long the load was at each temperature, so that the two can be compared.

The temperature is the highest reading of the processor, and in memory stages of the memory, where that is read. What a
worker did between two ticks counts half at the temperature of either.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from soakd.model.channels import Role
from soakd.model.finding import NearReading
from soakd.model.journal import Found, StageEnded, StageStarted, Tick
from soakd.model.plan import MEMORY_KINDS
from soakd.model.verdict import Warmth

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.model.finding import Finding
    from soakd.model.journal import Event, WorkerTotals
    from soakd.model.run import RunRecord

_OF_THE_LOAD: Final = frozenset({"wrong-result", "worker-died", "worker-hung"})
_IN_TURN: Final = frozenset({"walking", "stepped"})
"""Patterns whose cores are loaded at different times."""
_TENTHS: Final = 1
_Spent = dict[int, float]
_Read = dict[str, tuple[float, NearReading]]
"""Role to moment and reading."""


class Temperatures:
    """Feed it every event of a run in order; ask at any time."""

    def __init__(self, record: RunRecord) -> None:
        names: dict[str, list[str]] = {}
        for info in record.channels:
            names.setdefault(info.role, []).append(info.name)
        self._names = names
        memory = Role.MEMORY_TEMPERATURE if Role.MEMORY_TEMPERATURE.value in names else Role.CPU_TEMPERATURE
        self._roles = tuple(
            memory.value if stage.kind in MEMORY_KINDS else Role.CPU_TEMPERATURE.value for stage in record.plan.stages
        )
        self._in_turn = tuple(stage.pattern in _IN_TURN for stage in record.plan.stages)
        self._read: _Read = {}
        self._near: list[NearReading | None] = []
        self._waiting: list[int] = []
        self._moments: dict[int, tuple[float, str]] = {}
        self._checked_s: dict[int, float] = {}
        self._spent: dict[int, dict[int | None, _Spent]] = {}

    def take(self, event: Event) -> None:
        match event:
            case StageStarted():
                self._checked_s = {}
            case Tick():
                before, now = self._read, self._hottest(event)
                self._read = now
                for place in self._waiting:
                    self._near[place] = self._nearer(place, before, now)
                self._waiting = []
                if event.stage is not None:
                    self._work(event.stage, event.workers, [before, now])
            case StageEnded():
                self._work(event.stage, event.workers, [self._read])
            case Found():
                self._found(event.finding)
            case _:
                pass

    def told(self, findings: Sequence[Finding]) -> tuple[Finding, ...]:
        """All that were found, errors with the temperature that was read nearest to them."""
        return tuple(
            finding if near is None else finding.model_copy(update={"temperature": near})
            for finding, near in zip(findings, self._near, strict=True)
        )

    def warmth(self, stage: int) -> tuple[Warmth, ...]:
        """Of one stage's load."""
        return tuple(
            Warmth(role=self._roles[stage], core=core, seconds={c: round(s, _TENTHS) for c, s in sorted(spent.items())})
            for core, spent in self._spent.get(stage, {}).items()
        )

    def _hottest(self, tick: Tick) -> _Read:
        found: _Read = {}
        for role in set(self._roles):
            values = {name: tick.values[name] for name in self._names.get(role, ()) if name in tick.values}
            if values:
                channel = max(values, key=lambda name: values[name])
                found[role] = tick.at_s, NearReading(channel=channel, role=role, value=values[channel], apart_s=0.0)
        return found

    def _found(self, finding: Finding) -> None:
        """With the last reading for now: the next may be nearer, if there is one."""
        place = len(self._near)
        self._near.append(None)
        if finding.rule in _OF_THE_LOAD and finding.stage is not None and finding.at_s is not None:
            self._moments[place] = finding.at_s, self._roles[finding.stage]
            self._near[place] = self._nearer(place, self._read)
            self._waiting.append(place)

    def _nearer(self, place: int, *read: _Read) -> NearReading | None:
        at_s, role = self._moments[place]
        known = [each[role] for each in read if role in each]
        if not known:
            return None
        moment_s, reading = min(known, key=lambda each: abs(each[0] - at_s))
        return reading.model_copy(update={"apart_s": round(abs(moment_s - at_s), _TENTHS)})

    def _work(self, stage: int, workers: Sequence[WorkerTotals], read: Sequence[_Read]) -> None:
        role, spent = self._roles[stage], self._spent.setdefault(stage, {})
        degrees = [math.floor(each[role][1].value) for each in read if role in each]
        for totals in workers:
            gained_s = totals.checked_s - self._checked_s.get(totals.core, 0.0)
            self._checked_s[totals.core] = totals.checked_s
            core, cores = (totals.core, 1) if self._in_turn[stage] else (None, len(workers))
            for degree in degrees if gained_s > 0.0 else ():
                bins = spent.setdefault(core, {})
                bins[degree] = bins.get(degree, 0.0) + gained_s / cores / len(degrees)
