"""Every load pattern through the real command: the planned load is checked, a rest is a rest, results are right."""

import json

import pytest
from soak_bench import CORES, SHARE

from soakd.clock import SystemClock
from soakd.crew.wire import PlantedFlip
from soakd.model.plan import Plan
from soakd.rules.expected import planned_seconds
from soakd.service.foreground import Request, run_once
from soakd.service.home import Home

pytestmark = pytest.mark.soak

WALKING = 'pattern = "walking"\ndwell = "1 s"\nduration = "2 s"'
STEPPED = 'pattern = "stepped"\ndwell = "1 s"\nduration = "2 s"'
PULSED_1_MS = 'pattern = "pulsed"\nperiod = "1 ms"\non = "50 %"\nduration = "2 s"'
PULSED_20_MS = 'pattern = "pulsed"\nperiod = "20 ms"\non = "10 %"\nduration = "3 s"'
PULSED_LONG = 'pattern = "pulsed"\nperiod = "4 s"\non = "10 %"\nduration = "4 s"'
RANDOM = 'pattern = "random"\nshortest = "1 ms"\nlongest = "400 ms"\nseed = 7\nduration = "2 s"'
FLOOR = 'coverage-floor = "50 %"'
"""Other work on the machine costs short bursts more than long ones; a pattern that is not kept costs far more."""


def integer(pattern):
    return f'workload = "integer"\n{pattern}'


class Silent:
    def orphan(self, verdict): ...
    def note(self, line): ...
    def starting(self, record): ...
    def event(self, event): ...


@pytest.mark.parametrize(
    "stages",
    [(WALKING, STEPPED), (PULSED_1_MS, PULSED_20_MS), (RANDOM,)],
    ids=["walking and stepped", "pulsed", "random"],
)
def test_a_pattern_is_kept_and_every_round_of_it_is_right(bench, stages):
    done = bench.run("run", bench.plan(*map(integer, stages), top=FLOOR), "--json")
    assert done.code == 0, done.err or done.out
    plan = Plan.model_validate_json(json.dumps(done.verdict["plan"]), by_alias=True, by_name=False)
    for stage, result in zip(plan.stages, done.verdict["evidence"]["stages"], strict=True):
        assert result["mismatches"] == 0
        planned = planned_seconds(stage, CORES)
        assert {worker["totals"]["core"]: worker["planned_s"] for worker in result["workers"]} == planned
        for worker in result["workers"]:
            totals, planned_s = worker["totals"], worker["planned_s"]
            assert totals["rounds"] >= 1
            assert totals["checked_s"] <= planned_s + 0.001, "only planned load counts"
            assert totals["work_s"] <= 1.25 * planned_s + 0.1, "a rest is a rest"


@pytest.mark.parametrize("workload", ["mixed/together", "mixed/apart"])
def test_mixed_stages_run_with_a_share_of_memory_and_are_swept_like_memory(bench, workload):
    done = bench.run(
        "run", bench.plan(f'workload = "{workload}"\nmemory = "{SHARE} %"\nduration = "8 s"', top=FLOOR), "--json"
    )
    assert done.code == 0, done.err or done.out
    (stage,) = done.verdict["evidence"]["stages"]
    assert stage["unit"] == "operations and words moved"
    assert all(worker["totals"]["sweeps"] >= 1 for worker in stage["workers"])


def test_a_long_rest_is_not_taken_for_a_hung_worker(bench):
    """Well beyond the guard's patience with a worker that shows no sign of life."""
    done = bench.run("run", bench.plan(integer(PULSED_LONG), top=FLOOR), "--json")
    assert done.code == 0, done.err or done.out
    assert all(worker["totals"]["work_s"] < 1.0 for worker in done.verdict["evidence"]["stages"][0]["workers"])


def test_a_random_stage_without_a_seed_gets_one_that_is_on_record(bench):
    plan = bench.plan(integer(RANDOM.replace("seed = 7\n", "")), top=FLOOR)
    seeds = {bench.run("run", plan, "--json").verdict["plan"]["stage"][0]["seed"] for _ in range(2)}
    assert len(seeds) == 2
    assert all(isinstance(seed, int) for seed in seeds)


def test_a_flip_is_found_in_a_round_that_spans_many_pulses(bench):
    flip = PlantedFlip(workload="integer/streams", core=CORES[-1], round=1, bit=321)
    request = Request(plan=str(bench.plan(integer(PULSED_1_MS), top=FLOOR)), flip=flip)
    verdict = run_once(request, Home(bench.home), SystemClock(), Silent()).verdict
    (first, *_) = verdict.reasons
    assert (first.rule, first.core, first.wrong.round) == ("wrong-result", CORES[-1], 1)
