"""Operations of the virtual workers: what clock and kind of work make of the time, as evenly as the file says."""

from __future__ import annotations

import math
import statistics

import pytest
from virtual_parts import lantern, plan, sheet, stage

from soakd.model.virtual import Work
from soakd.service.rehearsal import rehearse
from soakd.virtual.draws import Draws
from soakd.virtual.output import STEP_S, Output, Wander
from soakd.virtual.shift import Shift

EVEN = {"scatter": "0 %", "wander": "0 %"}
CORES = (0, 1, 2, 3)
PHYSICAL = {0: 0, 1: 1, 2: 0, 3: 1}


def rehearsed(*stages, seed=1, of_sheet=None, **work):
    wanted = plan(*stages, tick_s=1.0)
    return rehearse(wanted, of_sheet or sheet(), lantern(work=work), plan_file="trial", seed=seed).verdict.evidence


def produced(moments, **more):
    """What four even workers on two cores, at 4000 and 3000 MHz, have done after a minute, looked at now and then."""
    shift = Shift(lantern(work=EVEN), stage(duration_s=60.0, workload="integer", **more), "scalar", CORES, PHYSICAL)
    shift.start(0.0, 60.0, {core: Draws(1, core) for core in CORES})
    now_s = 0.0
    while now_s < 60.0:
        to_s = min(now_s + 1.0, shift.edge_after(now_s), 60.0)
        shift.endure(now_s, to_s, {}, {0: 4000.0, 1: 3000.0})
        now_s = to_s
        if now_s in moments:
            shift.totals(now_s)
    return [totals.operations for totals in shift.totals(60.0).values()]


@pytest.mark.parametrize("moments", [(), range(60), (7.0, 13.0)])
def test_operations_are_cycles_times_what_a_cycle_does(moments):
    """Four in a cycle of a core, which two threads share."""
    assert produced(moments) == [60 * 4_000_000_000 * 2, 60 * 3_000_000_000 * 2] * 2


def test_a_thread_alone_has_its_core_for_itself():
    """A walk of a minute by four workers is a quarter of it for each."""
    assert produced((), pattern="walking", dwell_s=5.0) == [15 * 4_000_000_000 * 4, 15 * 3_000_000_000 * 4] * 2


@pytest.mark.parametrize(("changes", "wanted"), [
    ({}, 24.0 * 4600e6), ({"workload": "integer"}, 4.0 * 4800e6), ({"instruction_class": "vector-256"}, 16.0 * 4800e6),
    ({"workload": "exchange"}, 0.008 * 4800e6),
])  # fmt: skip
def test_each_kind_and_width_has_a_speed_of_its_own(changes, wanted):
    """Of core 0, whose two threads share it, at the clock that the sheet allows with all cores active."""
    (shown,) = rehearsed(stage(duration_s=60.0, **changes), **EVEN).stages
    threads = [worker.totals for worker in shown.workers if worker.totals.core in {0, 6}]
    assert sum(each.operations / each.checked_s for each in threads) == pytest.approx(wanted, rel=1e-6)


def test_a_processor_that_holds_itself_back_does_less():
    """The power limit takes ratios away; so many fewer operations, by the clocks that its workers measured."""
    limited = sheet().model_copy(
        update={"limits": sheet().limits.model_copy(update={"sustained_power_w": 80.0, "short_power_w": 80.0})}
    )
    free, held = (rehearsed(stage(duration_s=120.0), of_sheet=each, **EVEN) for each in (sheet(), limited))
    done = [shown.stages[0].per_second for shown in (free, held)]
    seen = [
        statistics.fmean(c.mean for c in shown.channels if c.role == "probed-clock" and c.mean)
        for shown in (free, held)
    ]
    assert seen[1] < 0.9 * seen[0]
    assert done[1] / done[0] == pytest.approx(seen[1] / seen[0], rel=0.02)


def test_a_rehearsal_has_throughput_and_energy_of_an_operation():
    shown = rehearsed(stage(duration_s=300.0))
    (measured,) = shown.measured.stages
    assert measured.rate.value == pytest.approx(shown.stages[0].per_second, rel=1e-3)
    assert 0.0 < measured.rate.sd < 0.01 * measured.rate.value
    assert measured.energy_j.value * measured.rate.value == pytest.approx(measured.power_w.value, rel=0.02)


def test_a_seed_has_its_own_unevenness_each_time_the_same():
    once, again, other = (rehearsed(stage(duration_s=60.0), seed=seed).stages[0].operations for seed in (3, 3, 4))
    assert once == again != other


def test_the_wander_is_as_large_and_remembers_as_long_as_declared():
    """Standard deviation, and likeness e⁻¹ after ten seconds, of 40,000 steps, which are worth 1,000 that are alone."""
    wander = Wander(Work(), Draws(4, 2))
    found = [wander.at(step * STEP_S) for step in range(40_000)]
    assert statistics.pstdev(found) == pytest.approx(0.01, rel=0.1)
    later = round(10.0 / STEP_S)
    assert statistics.correlation(found[:-later], found[later:]) == pytest.approx(math.exp(-1.0), abs=0.1)
    assert Wander(Work(remembers=0.0), Draws(4, 2)).at(1.0) != 0.0


def test_rounds_scatter_each_by_itself():
    output = Output(4.0, Work(), Draws(5))
    done = []
    for number in range(1, 5001):
        output.pass_time(0.5, 4000.0)
        was = output.operations
        output.count(number, 0.5 * number)
        done.append((output.operations - was) / (0.5 * 4000e6 * 4.0) - 1.0)
    assert statistics.pstdev(done) == pytest.approx(0.005, rel=0.05)
    assert abs(statistics.correlation(done[:-1], done[1:])) < 0.06
