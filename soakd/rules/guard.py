"""The guard: turns readings, gaps, looks at the workers and their events into decisions. No I/O, no clock of its own.

Whoever drives it passes monotonic times in. Every finding that must end the load comes back with `stops`; nothing here
waits for anything.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from soakd.model.channels import Role
from soakd.model.finding import Finding
from soakd.model.plan import MEMORY_KINDS
from soakd.rules.board import Board
from soakd.rules.cooling import CoolDown
from soakd.rules.foresight import Foresight
from soakd.rules.health import Health
from soakd.rules.limits import BoundWatch
from soakd.rules.workers import Patience, hung, worker_gone, wrong_result

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from soakd.model.channels import Batch, Channel
    from soakd.model.crew import WorkerExited, WorkerLook, WorkerWrong
    from soakd.model.limits import Bound
    from soakd.model.plan import Plan, Stage

SUSPEND_TOLERANCE_S = 0.5
SPARSEST_TICKS = 2.5
"""A reading may be this many ticks late before its absence means anything."""
SETTLED_REST_S = 10.0
"""Rest between two stages after which the next one is a change of load that a processor sensor has to show."""
MOST_REMARKS = 200
"""In one run; a source that has more to say is not fit to be kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """A finding, and whether the load ends for it."""

    finding: Finding
    stops: bool = True


@dataclass(slots=True)
class Guard:
    """One run's guard. `begin` before the first reading, then feed it everything."""

    plan: Plan
    channels: Sequence[Channel]
    bounds: tuple[Bound, ...]
    begun_s: float
    suspended_s: float
    ticks_due: int = 0
    ticks_lost: int = 0
    _stage: int | None = None
    _class: str = ""
    _mismatches: int = 0
    _remarks: int = 0
    _swap_start_mib: float | None = None
    _read_s: dict[str, float] = field(init=False)
    _rest_since_s: float | None = None
    _board: Board = field(init=False)
    _health: Health = field(init=False)
    _watch: BoundWatch = field(init=False)
    _foresight: Foresight = field(init=False)
    _cool_down: CoolDown = field(init=False)
    _patience: Patience = field(default_factory=Patience)

    def __post_init__(self) -> None:
        self._board = Board(self.channels, self.plan.guard.tick_s)
        self._health = Health(self.channels)
        self._watch = BoundWatch(self.bounds, self.plan.guard.tick_s)
        self._foresight = Foresight(self.bounds, stops=self.plan.guard.foresight == "stop")
        self._cool_down = CoolDown(self.channels, self.bounds, self.plan.guard)
        self._read_s = {name: self.begun_s for bound in self.bounds if bound.required for name in bound.channels}
        self._rest_since_s = self.begun_s - SETTLED_REST_S

    def stage_begins(self, stage: int, instruction_class: str, now_s: float) -> None:
        self._stage = stage
        self._class = instruction_class
        self._watch.stage_begins(now_s, self.plan.stages[stage].duration_s)
        self._foresight.stage_begins()
        self._patience.reset()
        self._swap_start_mib = self._swap_mib(now_s)
        if self._rest_since_s is not None and now_s - self._rest_since_s >= SETTLED_REST_S:
            self._health.load_changed(now_s, everywhere=self._loads_all(self.plan.stages[stage]))
        self._rest_since_s = None

    def stage_ends(self, now_s: float) -> None:
        self._watch.stage_ends()
        self._foresight.stage_ends()
        self._stage = None
        self._rest_since_s = now_s

    @staticmethod
    def _loads_all(stage: Stage) -> bool:
        return stage.cores == "all" and stage.pattern not in {"walking", "stepped"}

    def readings(self, batch: Batch) -> list[Decision]:
        """Bounds are judged the moment a batch arrives, not at the next tick. What stops the load comes last."""
        sound = self._health.sift(batch)
        self._board.post(sound)
        self._read_s.update(dict.fromkeys(sound.values.keys() & self._read_s.keys(), sound.at_s))
        self._foresight.take(sound.at_s, sound.values)
        self._cool_down.before(sound.values)
        broken = [
            self._decide(finding, sound.at_s, stops=self._stops_for(finding)) for finding in self._watch.observe(sound)
        ]
        return sorted([*self._remarked(sound), *broken], key=lambda decision: decision.stops)

    def _stops_for(self, broken: Finding) -> bool:
        """The plan says of each limit what follows when it is broken."""
        return broken.limit is None or self.bounds[broken.limit].then == "stop"

    def _remarked(self, batch: Batch) -> list[Decision]:
        """What a source said goes on record, as far as one run has room for it."""
        told = list(batch.remarks.items())[: MOST_REMARKS - self._remarks]
        self._remarks += len(told)
        found = [Finding(rule="remark", weight="note", text=f"{name}: {text}", channel=name) for name, text in told]
        return [self._decide(finding, batch.at_s, stops=False) for finding in found]

    def looks(
        self, looks: Mapping[int, WorkerLook], now_s: float, process_state: Callable[[int], str | None]
    ) -> list[Decision]:
        """Workers without a beat; `process_state` is asked only for those."""
        still = self._patience.observe(looks, now_s)
        return self.blind(now_s) + [
            self._decide(hung(looks[core], seconds, process_state=process_state(core)), now_s)
            for core, seconds in still.items()
        ]

    def blind(self, now_s: float) -> list[Decision]:
        """Watched channels that have not been read for too long."""
        return [self._decide(finding, now_s) for finding in self._blindness(now_s)]

    def wrong(self, event: WorkerWrong, now_s: float) -> list[Decision]:
        """Every wrong result fails the run; the plan says how many are collected before the load stops."""
        self._mismatches += 1
        workload = self._running().kernel if self._stage is not None else "unknown"
        finding = wrong_result(event, workload=workload, instruction_class=self._class)
        return [self._decide(finding, now_s, stops=self._mismatches >= self.plan.guard.mismatches)]

    def exited(self, event: WorkerExited, now_s: float) -> list[Decision]:
        return [self._decide(worker_gone(event), now_s)]

    def tick(
        self, now_s: float, late_s: float, suspended_s: float
    ) -> tuple[dict[str, float], dict[str, str], list[Decision]]:
        """At every point of the grid: what is known now, and what its absence means."""
        tick_s = self.plan.guard.tick_s
        missed = math.floor(late_s / tick_s)
        self.ticks_due += 1 + missed
        self.ticks_lost += missed
        values, gaps = self._board.read(now_s)
        found = [self._suspended(suspended_s), self._own_blindness(late_s), self._swapped(values)]
        decisions = [self._decide(finding, now_s) for finding in found if finding]
        return values, gaps, [*self._ahead(now_s), *decisions]

    def _ahead(self, now_s: float) -> list[Decision]:
        """Warnings, and what the plan wants stopped before it happens."""
        found = [self._decide(each, now_s, stops=each.weight != "note") for each in self._foresight.look(now_s)]
        return sorted(found, key=lambda decision: decision.stops)

    def load_gone(self, now_s: float, *, survivors: int) -> None:
        """After a stop: from now on only `cooling` is asked."""
        self._cool_down.load_gone(now_s, self._board.read(now_s)[0], survivors=survivors)

    def cooling(self, batch: Batch) -> tuple[dict[str, float], list[Decision]]:
        """What is watched and was read, and what heats although nothing of ours does."""
        sound = self._health.sift(batch)
        found = self._cool_down.take(sound.at_s, sound.values)
        values = {name: value for name, value in sound.values.items() if name in self._cool_down.names}
        return values, [self._decide(finding, sound.at_s, stops=False) for finding in found]

    def cooled(self, now_s: float) -> bool:
        """There is nothing more to watch after the stop."""
        return self._cool_down.over(now_s)

    def watched_cooling(self, now_s: float) -> list[Decision]:
        """At the end of it: what had not cooled."""
        last = self._cool_down.last_word(now_s)
        return [] if last is None else [self._decide(last, now_s, stops=False)]

    def _decide(self, finding: Finding, now_s: float, *, stops: bool = True) -> Decision:
        placed = finding.model_copy(update={"at_s": max(0.0, now_s - self.begun_s), "stage": self._stage})
        return Decision(finding=placed, stops=stops)

    def _running(self) -> Stage:
        return self.plan.stages[self._stage or 0]

    def _blindness(self, now_s: float) -> list[Finding]:
        """Every watched channel has to be read: one that is lost leaves a part of the bench without a guard.

        Counted from its last reading, and never shorter than the sampling grid allows.
        """
        hold_s = max(self.plan.guard.gap_hold_s, SPARSEST_TICKS * self.plan.guard.tick_s)
        return [
            Finding(
                rule="required-reading-lost",
                weight="inconclusive",
                text=f"{channel}: no reading for {now_s - read_s:.1f} s, and a limit depends on it",
                channel=channel,
            )
            for channel, read_s in self._read_s.items()
            if now_s - read_s >= hold_s
        ]

    def _own_blindness(self, late_s: float) -> Finding | None:
        if late_s < self.plan.guard.lost_tick_hold_s:
            return None
        text = f"the guard itself was not scheduled for {late_s:.1f} s: nothing was watched meanwhile"
        return Finding(rule="guard-blind", weight="inconclusive", text=text)

    def _suspended(self, suspended_s: float) -> Finding | None:
        asleep_s = suspended_s - self.suspended_s
        if asleep_s < SUSPEND_TOLERANCE_S:
            return None
        text = f"the machine was suspended for {asleep_s:.0f} s during the run"
        return Finding(rule="suspended", weight="inconclusive", text=text)

    def _swapped(self, values: dict[str, float]) -> Finding | None:
        if self._stage is None or self._running().kind not in MEMORY_KINDS:
            return None
        swap = self._board.of_role(values, Role.SWAP_TRAFFIC)
        if not swap:
            return None
        total_mib = sum(swap.values())
        if self._swap_start_mib is None:
            self._swap_start_mib = total_mib
        moved_mib = total_mib - self._swap_start_mib
        if moved_mib <= self.plan.guard.swap_mib:
            return None
        text = f"{moved_mib:.0f} MiB went through swap during a memory stage: the drive was tested, not the memory"
        return Finding(rule="swapped", weight="inconclusive", text=text, sample=moved_mib, unit="MiB")

    def _swap_mib(self, now_s: float) -> float | None:
        swap = self._board.of_role(self._board.read(now_s)[0], Role.SWAP_TRAFFIC)
        return sum(swap.values()) if swap else None
