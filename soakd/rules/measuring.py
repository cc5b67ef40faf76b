"""From a run's ticks to numbers with their uncertainty: what each stage did, took and became warm by."""

from __future__ import annotations

import math
from collections import Counter
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from soakd.model.channels import Role
from soakd.model.journal import Found, LoadStopped, RunEnded, StageAnnounced, Tick
from soakd.model.measured import Demonstration, Electrical, Estimate, Heat, Measured, StageMeasured
from soakd.rules.demonstration import CONFIDENCE, mean_between_s, shown_mean_s
from soakd.rules.electrical import CLOCK_STEP_MHZ, VOLT_STEP_MV, load_line, means, unseen_pulses
from soakd.rules.estimates import mean, ratio
from soakd.rules.expected import stage_cores
from soakd.rules.kept_ticks import MOST, Ticks
from soakd.rules.run_heat import core_gain, over_room, room_path
from soakd.rules.stage_heat import Course, finest_step, stage_heat

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from soakd.model.journal import Event
    from soakd.model.measured import LoadLine
    from soakd.model.run import RunRecord
    from soakd.model.verdict import StageResult

_LARGEST: Final = 1e5
"""No temperature, power, voltage or current of a bench is larger, in our units: such a reading is none."""
_SETTLING_S: Final = 30.0
"""From a stage's start on: readings of power may still mix load and rest."""
_OF_THE_LOAD: Final = frozenset({"worker-died", "worker-hung"})
_PROBE: Final = "probe/core "
_CORE_WORD: Final = "core"


class Measuring:
    """Feed it every event of a run in order; ask for the numbers at any time."""

    def __init__(self, record: RunRecord) -> None:
        self._record = record
        self._by_role: dict[str, list[str]] = {}
        for info in record.channels:
            self._by_role.setdefault(info.role, []).append(info.name)
        self._volts = _one_of_the_core(self._by_role.get(Role.VOLTAGE.value, []))
        self._amps = _one_of_the_core(self._by_role.get(Role.CURRENT.value, []))
        self._ticks = Ticks()
        self._spans: dict[int, tuple[int, int]] = {}
        self._clocks: Counter[int] = Counter()
        self._millivolts: Counter[int] = Counter()
        self._seen = 0
        self._every = 1
        self._lost = 0
        self._loaded = False

    def take(self, event: Event) -> None:
        match event:
            case Tick():
                self._tick(event)
            case Found() if event.finding.rule in _OF_THE_LOAD and event.finding.weight == "fail":
                self._lost += 1
            case StageAnnounced():
                self._loaded = True
            case LoadStopped() | RunEnded():
                self._loaded = False
            case _:
                pass

    def measured(self, stages: Sequence[StageResult], *, same_boot: bool) -> Measured:
        """`same_boot`: the machine did not go down in between."""
        self._spans = self._ticks.spans()
        ambient_c = self._ambient()
        at_s, power_w, coolant_c = self._ticks.at_s.tolist(), self._whole("power_w"), self._whole("coolant_c")
        steps = {name: finest_step(self._whole(name)) for name in ("core_c", "coolant_c", "ambient_c", "power_w")}
        path = room_path(at_s, power_w, coolant_c, ambient_c, steps["coolant_c"])
        found = [self._stage(stage, ambient_c, steps) for stage in stages]
        found = [
            each if each.heat is None else each.model_copy(update={"heat": over_room(each.heat, path)})
            for each in found
        ]
        sensor = bool(self._whole("ambient_c"))
        heat = Heat(
            ambient_c=math.fsum(ambient_c) / len(ambient_c) if ambient_c else None,
            ambient_from=None if not ambient_c else "sensor" if sensor else "sheet",
            core_gain=self._gain(found),
            path=path,
        )
        return Measured(
            demonstration=self._demonstration(stages, errors=self._lost + (self._loaded and not same_boot)),
            stages=tuple(found),
            heat=heat,
            electrical=self._electrical() if self._spans else None,
        )

    def _tick(self, tick: Tick) -> None:
        """One that is not later than the one before is none."""
        ticks = self._ticks
        if ticks.at_s and tick.at_s <= ticks.at_s[-1]:
            return
        values = {name: value for name, value in tick.values.items() if abs(value) < _LARGEST}
        clocks = [] if tick.stage is None else self._clocks_of(tick.stage, values)
        self._seen += 1
        if (self._seen - 1) % self._every:
            return
        if len(ticks.at_s) == MOST:
            ticks.thin()
            self._every *= 2
        ticks.stage.append(-1.0 if tick.stage is None else float(tick.stage))
        ticks.at_s.append(tick.at_s)
        ticks.core_c.append(max(self._of(values, Role.CPU_TEMPERATURE), default=math.nan))
        ticks.coolant_c.append(_mean_of(values, self._by_role.get(Role.COOLANT_TEMPERATURE.value, [])))
        ticks.ambient_c.append(_mean_of(values, self._by_role.get(Role.AMBIENT_TEMPERATURE.value, [])))
        ticks.power_w.append(math.fsum(powers) if (powers := self._of(values, Role.PACKAGE_POWER)) else math.nan)
        ticks.volts.append(values.get(self._volts or "", math.nan))
        ticks.amps.append(self._current(values, ticks.power_w[-1], ticks.volts[-1]))
        ticks.clock_mhz.append(max(clocks, default=math.nan))
        ticks.operations.append(float(sum(worker.operations for worker in tick.workers)))
        ticks.busy_s.append(math.fsum(worker.checked_s for worker in tick.workers))

    def _clocks_of(self, stage: int, values: Mapping[str, float]) -> list[float]:
        """Of the loaded cores; the time at each clock and voltage is counted on the way."""
        cores = stage_cores(self._record.plan.stages[stage], self._record.cores)
        clocks = [mhz for core in cores if (mhz := values.get(f"{_PROBE}{core}")) is not None]
        self._clocks.update(int(mhz // CLOCK_STEP_MHZ) * CLOCK_STEP_MHZ for mhz in clocks)
        if self._volts is not None and self._volts in values:
            self._millivolts[int(round(1000.0 * values[self._volts], 3) // VOLT_STEP_MV) * VOLT_STEP_MV] += 1
        return clocks

    def _of(self, values: Mapping[str, float], role: Role) -> list[float]:
        return [values[name] for name in self._by_role.get(role.value, []) if name in values]

    def _current(self, values: Mapping[str, float], power_w: float, volts: float) -> float:
        if self._amps is not None:
            return values.get(self._amps, math.nan)
        return power_w / volts if volts else math.nan

    def _whole(self, name: str) -> list[float]:
        return self._ticks.part(0, len(self._ticks.at_s), name=name)

    def _ambient(self) -> list[float]:
        """At each tick; empty where nobody says it."""
        read = self._whole("ambient_c")
        declared_c = self._record.sheet.cooling.ambient_c if self._record.sheet else None
        return read or ([] if declared_c is None else [declared_c] * len(self._ticks.at_s))

    def _stage(self, stage: StageResult, ambient_c: Sequence[float], steps: Mapping[str, float]) -> StageMeasured:
        begin, end = self._spans.get(stage.index, (0, 0))
        at_s, power_w, core_c, coolant_c = (
            self._ticks.part(begin, end, name=name) for name in ("at_s", "power_w", "core_c", "coolant_c")
        )
        done, busy_s = (_steps(self._ticks.part(begin, end, name=name)) for name in ("operations", "busy_s"))
        at_once = 1 if stage.pattern == "walking" else len(stage.workers)
        heat = None
        if stage.pattern == "steady" and core_c:
            heat = stage_heat(Course(at_s, core_c, coolant_c, ambient_c[begin:end], power_w, steps))
        energies = [watts * span for watts, span in zip(power_w[1:], _steps(at_s), strict=True)] if power_w else []
        rate = ratio(done, busy_s) if any(done) else None
        return StageMeasured(
            index=stage.index,
            rate=None if rate is None else _times(rate, at_once),
            energy_j=ratio(energies, done) if energies and any(done) else None,
            power_w=mean(power_w),
            heat=heat,
        )

    def _gain(self, stages: Sequence[StageMeasured]) -> float:
        """From the hottest stage whose way to the room is known."""
        known = [each for each in stages if each.heat is not None and each.heat.to_ambient_kw is not None]
        hottest = max(known, key=lambda each: each.heat.core_c if each.heat else 0.0, default=None)
        if hottest is None or hottest.heat is None or hottest.heat.to_ambient_kw is None:
            return 1.0
        begin, end = self._spans[hottest.index]
        begin += int(_SETTLING_S / self._record.plan.guard.tick_s / self._every)
        clocks = self._ticks.clock_mhz[begin:end].tolist()
        usual = Counter(clocks).most_common(1)[0][0] if clocks else math.nan
        core_c, power_w = (self._ticks.part(begin, end, name=name) for name in ("core_c", "power_w"))
        kept = [
            pair for pair, mhz in zip(zip(core_c, power_w, strict=False), clocks, strict=False)
            if math.isnan(mhz) or abs(mhz - usual) < CLOCK_STEP_MHZ
        ]  # fmt: skip
        if not kept:
            return 1.0
        return core_gain([c for c, _ in kept], [w for _, w in kept], hottest.heat.to_ambient_kw.value)

    def _demonstration(self, stages: Sequence[StageResult], *, errors: int) -> Demonstration | None:
        load_s = math.fsum(stage.planned_s * stage.checked_percent / 100.0 for stage in stages)
        errors += sum(stage.mismatches for stage in stages)
        if not load_s:
            return None
        return Demonstration(
            confidence=CONFIDENCE,
            load_s=load_s,
            errors=errors,
            mean_s=shown_mean_s(load_s, CONFIDENCE, errors),
            between_s=mean_between_s(load_s, CONFIDENCE, errors) if errors else None,
        )

    def _electrical(self) -> Electrical:
        plan = self._record.plan
        fitted: LoadLine | str = "no sensor shows the core's voltage"
        if self._volts is not None:
            step_v = finest_step([v for v in self._ticks.volts if not math.isnan(v)])
            fitted = load_line(self._groups(), self._amps or "package power over voltage", step_v)
        return Electrical(
            load_line=None if isinstance(fitted, str) else fitted,
            load_line_absent=fitted if isinstance(fitted, str) else None,
            droop_unseen=unseen_pulses(plan.stages, plan.guard.tick_s),
            clocks_s={mhz: count * plan.guard.tick_s for mhz, count in sorted(self._clocks.items())},
            volts_s={mv: count * plan.guard.tick_s for mv, count in sorted(self._millivolts.items())},
        )

    def _groups(self) -> Iterator[list[tuple[float, float]]]:
        """Pairs of steady load at one clock of one set of cores."""
        found: dict[tuple[int, tuple[int, ...]], tuple[list[float], list[float], list[float]]] = {}
        ticks = self._ticks
        for number, (begin, end) in sorted(self._spans.items()):
            stage = self._record.plan.stages[number]
            for place in range(begin, end) if stage.pattern == "steady" else ():
                amps, volts, mhz = ticks.amps[place], ticks.volts[place], ticks.clock_mhz[place]
                if not any(map(math.isnan, (amps, volts, mhz))):
                    key = round(mhz / CLOCK_STEP_MHZ), stage_cores(stage, self._record.cores)
                    group = found.setdefault(key, ([], [], []))
                    for values, value in zip(group, (ticks.at_s[place], amps, volts), strict=True):
                        values.append(value)
        for group in found.values():
            yield means(*group)


def _one_of_the_core(names: Sequence[str]) -> str | None:
    """The one channel whose label speaks of the core, or the only one there is."""
    named = [name for name in names if _CORE_WORD in name.rpartition("/")[2].casefold()]
    return named[0] if len(named) == 1 else names[0] if len(names) == 1 else None


def _mean_of(values: Mapping[str, float], names: Sequence[str]) -> float:
    known = [values[name] for name in names if name in values]
    return math.fsum(known) / len(known) if known else math.nan


def _steps(totals: Sequence[float]) -> list[float]:
    return [later - sooner for sooner, later in pairwise(totals)]


def _times(estimate: Estimate, by: float) -> Estimate:
    return estimate.model_copy(update={"value": estimate.value * by, "sd": estimate.sd * by})
