"""A bench under load as its journal tells it: workers that follow their pattern round by round, looked at by ticks."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

from run_parts import CPU, record, sheet, snapshot, start

from soakd.model.journal import RunEnded, StageAnnounced, StageEnded, StageStarted, Tick, WorkerTotals
from soakd.model.pattern import cycle_of
from soakd.model.run import ChannelInfo
from soakd.model.sheet import ActiveLimit, Clocks
from soakd.rules.expected import pattern_of, stage_cores
from soakd.rules.gather import probe_channel

ROUND_NS = 500_000_000
SECOND = 1_000_000_000
GO_S = 0.25
"""From a stage's announcement to the moment at which its load begins."""
HUNDRED = 100.0


def clocks(*limits, **more):
    """Limits as (active cores, ratio), on a reference of 100 MHz."""
    entries = tuple(ActiveLimit(active_cores=active, ratio=ratio) for active, ratio in limits)
    return Clocks(**{"reference_mhz": HUNDRED, "limits": entries, **more})


def bench(plan, of_clocks=None, *, cores=(0, 1), **changes):
    """A record whose sheet declares these clocks, on a bench with so many cores and one processor temperature."""
    shot = snapshot(**{"logical_cores": len(cores), "cores_allowed": f"0-{max(cores)}", **changes.pop("shot", {})})
    declared = None if of_clocks is None else sheet(clocks=of_clocks, **changes.pop("declared", {}))
    made = record(plan, cores=tuple(cores), sheet=declared, snapshot=shot, **changes)
    probes = [ChannelInfo(name=probe_channel(core), role="probed-clock", unit="MHz") for core in cores if core > 1]
    return made.model_copy(update={"channels": (*made.channels, *probes)})


@dataclass
class Done:
    """What one worker does in a stage: when its rounds end, from the start of the load, and all load up to each end."""

    ends_ns: list
    loads_ns: list

    def totals(self, core, now_ns):
        rounds = bisect_right(self.ends_ns, now_ns)
        load_s = self.loads_ns[rounds - 1] / SECOND if rounds else 0.0
        until_s = self.ends_ns[rounds - 1] / SECOND if rounds else 0.0
        return WorkerTotals(
            core=core, rounds=rounds, operations=rounds, sweeps=1, checked_s=load_s, core_s=load_s, until_s=until_s
        )


def done_in(stage, cores, worker):
    """A round holds half a second of load, or what is left before a rest of half a second or the stage's end."""
    cycle, length_ns = cycle_of(pattern_of(stage), worker, len(cores)), round(stage.duration_s * SECOND)
    now_ns, load_ns, done = 0, 0, Done([], [])
    while True:
        span = cycle.at(now_ns)
        until_ns = min(span.until_ns, length_ns)
        if span.works:
            step_ns = min(until_ns - now_ns, ROUND_NS - load_ns)
            load_ns += step_ns
            now_ns += step_ns
            rest = cycle.at(now_ns)
            long_rest = not rest.works and rest.until_ns - now_ns >= ROUND_NS
            if load_ns == ROUND_NS or (load_ns and (long_rest or now_ns == length_ns)):
                done.ends_ns.append(now_ns)
                done.loads_ns.append(cycle.load_ns(now_ns))
                load_ns = 0
        else:
            now_ns = until_ns
        if now_ns >= length_ns:
            return done


def stage_story(of_record, number, began_s, *, clock=5000.0, heat=60.0, tick_s=1.0):
    """The events of one stage. `clock`: what the probe sees, None for nothing, or a function of core and seconds from
    the load's start; `heat`: the temperature, or a function of these seconds."""
    stage = of_record.plan.stages[number]
    cores = stage_cores(stage, of_record.cores)
    every = {core: done_in(stage, cores, worker) for worker, core in enumerate(cores)}
    go_s = began_s + GO_S
    yield StageAnnounced(at_s=began_s, stage=number)
    yield StageStarted(at_s=go_s, stage=number, pids={})
    before = dict.fromkeys(cores, 0)
    for tick in range(1, round(stage.duration_s / tick_s) + 1):
        now_ns = round(tick * tick_s * SECOND)
        workers = tuple(done.totals(core, now_ns) for core, done in every.items())
        values = {CPU: heat(now_ns / SECOND) if callable(heat) else heat}
        for each in workers:
            mhz = clock(each.core, each.until_s) if callable(clock) else clock
            if each.rounds > before[each.core] and mhz is not None:
                values[probe_channel(each.core)] = mhz
        before = {each.core: each.rounds for each in workers}
        yield Tick(
            at_s=go_s + now_ns / SECOND,
            number=100_000 * number + tick,
            stage=number,
            late_s=0.0,
            values=values,
            gaps={},
            workers=workers,
        )
    last = tuple(done.totals(core, round(stage.duration_s * SECOND)) for core, done in every.items())
    yield StageEnded(at_s=go_s + stage.duration_s + 0.01, stage=number, complete=True, workers=last)


def lost(events, core, seconds, after_s):
    """The same, but for so many seconds of a core's load that were not checked, right before a moment of the stage."""
    for event in events:
        workers = tuple(
            w.model_copy(update={"checked_s": w.checked_s - seconds, "core_s": w.core_s - seconds})
            if w.core == core and w.until_s >= after_s
            else w
            for w in getattr(event, "workers", ())
        )
        yield event.model_copy(update={"workers": workers}) if workers else event


def story(of_record, **how):
    """A whole run of it, every stage complete."""
    events, at_s = [start()], 1.0
    for number, stage in enumerate(of_record.plan.stages):
        events += stage_story(of_record, number, at_s, **how)
        at_s += stage.duration_s + 1.0
    end = RunEnded(at_s=at_s, ticks_due=10, ticks_lost=0, late_readings={}, guard_cpu_s=0.05, guard_peak_mib=40.0)
    return [*events, end]
