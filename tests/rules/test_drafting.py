"""A drafted plan: fits its hours, visits everything, and no plan could visit the least visited point for longer."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_parts import CLASSES, ground, sheet, survey
from scipy.optimize import linprog
from scipy.sparse import coo_array

from soakd.errors import UsageError
from soakd.model.plan import Limit
from soakd.model.sheet import MakersLimits, PowerLimits
from soakd.rules.chapters import EXCHANGE_SHARE, MEMORY_SHARE, SHORTEST_S, TRANSITIONS_SHARE
from soakd.rules.drafting import LONGEST_DWELL_S, START_S, drafted
from soakd.rules.plan_check import misfits
from soakd.rules.points import POINT_KINDS, groups, register_widths, widths_to_visit

HOUR_S = 3600.0


def seconds_of(plan, *, kinds=POINT_KINDS, patterns=("steady", "walking")):
    return sum(one.duration_s for one in plan.stages if one.kind in kinds and one.pattern in patterns)


def longest_possible(cores, named, widths, total_s):
    """The longest time that every point can be visited for, by linear programming over all plans there are.

    A plan is a time for each set of cores that is loaded together, in each width; walking and stepped stages are
    several of these. Of every (core, group, width) the sets that visit it must add up to the least time, which is made
    as large as possible; all together take the total. It is solved in the dual form, which has the same optimum and
    few unknowns: a worth for each point, 1 in all, such that the set that is worth most is worth as little as can be.
    """
    sets = np.arange(1, 2**cores)
    members = (sets[:, None] >> np.arange(cores)) & 1
    group = np.searchsorted(named, members.sum(axis=1))
    which, core = np.nonzero(members)
    points, choices = widths * len(named) * cores, widths * len(sets)
    visited = np.concatenate([(w * len(named) + group[which]) * cores + core for w in range(widths)])
    visitor = np.concatenate([w * len(sets) + which for w in range(widths)])
    worth_of_sets = coo_array(
        (
            np.concatenate([np.ones(len(visited)), -np.ones(choices)]),
            (
                np.concatenate([visitor, np.arange(choices)]),
                np.concatenate([visited, np.full(choices, points)]),
            ),
        ),
        shape=(choices, points + 1),
    ).tocsr()
    solved = linprog(
        np.append(np.zeros(points), total_s),
        A_ub=worth_of_sets,
        b_ub=np.zeros(choices),
        A_eq=np.append(np.ones(points), 0.0)[None, :],
        b_eq=[1.0],
        method="highs-ds",
    )
    assert solved.status == 0
    return solved.fun


TWO_WIDTHS = {
    "integer/streams": ("scalar",),
    "vector/lanes": ("vector-512",),
    "memory/march": ("vector-512",),
    "exchange/ring": ("scalar",),
}


@pytest.mark.parametrize(
    ("cores", "actives", "classes"),
    [(6, (1, 3, 6), CLASSES), (6, (1, 4, 5), CLASSES), (16, (1, 3, 8, 16), TWO_WIDTHS)],
)
def test_no_plan_visits_the_least_visited_point_for_longer(cores, actives, classes):
    """scipy.optimize.linprog (HiGHS) on the same problem: the same points, and the time that the points share."""
    declared, on = sheet(*actives), ground(cores, classes=classes)
    plan = drafted(declared, on, duration_s=8 * HOUR_S).plan
    found = survey(plan, declared, on)
    widths = widths_to_visit(declared.clocks, register_widths(classes))
    named = groups(declared.clocks, cores)
    shared_s = (8 * HOUR_S - START_S * len(plan.stages)) * (1 - TRANSITIONS_SHARE - EXCHANGE_SHARE - MEMORY_SHARE)
    best_s = longest_possible(cores, named, len(widths), shared_s)
    least_s = found.seconds[found.weakest]
    assert best_s * 0.95 <= least_s <= best_s * (1 + 1e-9)
    assert seconds_of(plan) <= shared_s


def drafted_or_refused(declared, on, hours):
    try:
        return drafted(declared, on, duration_s=hours * HOUR_S)
    except UsageError as refused:
        return refused


BENCHES = st.tuples(st.integers(1, 24), st.integers(1, 2), st.sets(st.integers(1, 24), max_size=4))


@settings(max_examples=60)
@given(BENCHES, st.sampled_from([1.0, 4.0, 8.0, 24.0, 100.0]), st.sets(st.sampled_from([128, 256, 512])))
def test_it_fits_its_hours_and_its_bench_and_visits_every_point(bench, hours, widths):
    cores, threads, actives = bench
    declared, on = sheet(*actives, widths=tuple(sorted(widths))), ground(cores, threads=threads)
    draft = drafted_or_refused(declared, on, hours)
    if isinstance(draft, UsageError):
        assert "too short" in draft.message
        assert float(draft.hint.split(" h ", maxsplit=1)[0]) > hours
        return
    plan = draft.plan
    assert plan.duration_s + START_S * len(plan.stages) <= hours * HOUR_S + 1e-6
    assert plan.duration_s >= 0.95 * hours * HOUR_S
    assert list(misfits(plan, bench_cores=on.cores, classes=on.classes)) == []
    assert survey(plan, declared, on).left_out == []
    assert len(draft.parts) == len(plan.stages)


@given(BENCHES)
def test_every_core_of_a_group_is_visited_for_the_same_time(bench):
    cores, threads, actives = bench
    declared, on = sheet(*actives, widths=()), ground(cores, threads=threads)
    plan = drafted(declared, on, duration_s=200 * HOUR_S).plan
    still = plan.model_copy(update={"stages": tuple(s for s in plan.stages if s.pattern in {"steady", "walking"})})
    found = survey(still, declared, on)
    for point, seconds in found.seconds.items():
        assert seconds == pytest.approx(found.seconds[point._replace(core=0)], abs=1e-6)


def test_the_shares_that_are_set_aside_are_kept():
    plan = drafted(sheet(1, 4), ground(8), duration_s=8 * HOUR_S).plan
    transitions_s = seconds_of(plan, patterns=("pulsed", "random", "stepped"))
    assert transitions_s == pytest.approx(TRANSITIONS_SHARE * plan.duration_s, rel=0.01)
    kept = {kind: seconds_of(plan, kinds=(kind,)) / plan.duration_s for kind in ("memory", "exchange")}
    assert kept == pytest.approx({"memory": MEMORY_SHARE, "exchange": EXCHANGE_SHARE}, rel=0.01)


def test_too_few_hours_are_refused_with_the_hours_that_would_do():
    with pytest.raises(UsageError, match="6 min is too short to visit every point") as refused:
        drafted(sheet(1, 4), ground(8), duration_s=360.0)
    needed_h = float(refused.value.hint.split(" h ", maxsplit=1)[0])
    plan = drafted(sheet(1, 4), ground(8), duration_s=needed_h * HOUR_S).plan
    assert min(one.dwell_s or one.duration_s for one in plan.stages if one.pattern != "stepped") >= SHORTEST_S
    with pytest.raises(UsageError):
        drafted(sheet(1, 4), ground(8), duration_s=(needed_h - 0.1) * HOUR_S)


def test_more_stages_than_a_plan_can_have_are_refused():
    with pytest.raises(UsageError, match="a plan has 1000 at most"):
        drafted(sheet(1, 3, 5, 7, 9), ground(128), duration_s=700 * HOUR_S)


def test_windows_go_round_the_bench_and_name_all_threads_of_their_cores():
    plan = drafted(sheet(3, widths=()), ground(6, threads=2), duration_s=8 * HOUR_S).plan
    named = {one.name: one.cores for one in plan.stages}
    assert named["scalar, 1-3 active: cores 0-2"] == (0, 1, 2, 6, 7, 8)
    assert named["scalar, 1-3 active: cores 3-5"] == (3, 4, 5, 9, 10, 11)
    assert named["scalar, all cores"] == "all"
    overlapping = drafted(sheet(4, widths=()), ground(6), duration_s=8 * HOUR_S).plan
    windows = [one.cores for one in overlapping.stages if one.name.startswith("scalar, 1-4")]
    assert windows == [(0, 1, 2, 3), (0, 1, 4, 5), (2, 3, 4, 5)]


def test_single_cores_are_walked_over_by_one_thread_each_and_long_walks_go_round_again():
    plan = drafted(sheet(1, widths=()), ground(2, threads=2), duration_s=8 * HOUR_S).plan
    (walk, _) = [one for one in plan.stages if one.pattern == "walking"]
    assert walk.cores == (0, 1)
    assert walk.dwell_s <= LONGEST_DWELL_S
    turns, rest = divmod(round(walk.duration_s * 10), round(walk.dwell_s * 10))
    assert (rest, turns % 2) == (0, 0)
    assert turns > 4


def test_the_class_of_a_width_is_the_fused_one_where_there_is_one():
    plan = drafted(sheet(1, widths=(128, 256, 512)), ground(2), duration_s=8 * HOUR_S).plan
    classes = {one.instruction_class for one in plan.stages if one.pattern == "walking"}
    assert classes == {"scalar", "vector-128", "vector-256-fma", "vector-512"}


def test_a_width_that_the_bench_lacks_is_not_planned_and_one_that_the_sheet_does_not_tell_apart_only_as_the_widest():
    narrow = {**CLASSES, "integer/lanes": ("vector-128",), "vector/lanes": ("vector-128", "vector-256")}
    narrow["vector/matrix"] = ()
    assert widths_to_visit(sheet(1, widths=(512,)).clocks, register_widths(narrow)) == (64, 256)
    declared = sheet(1, widths=(512,))
    on = ground(2, classes={**narrow, "memory/march": ("vector-128",), "memory/reread": ("vector-128",)})
    found = survey(drafted(declared, on, duration_s=HOUR_S).plan, declared, on)
    assert {point.width for point in found.left_out} == {512}


def test_a_bench_with_one_core_has_no_exchange_and_no_steps():
    plan = drafted(sheet(), ground(1), duration_s=HOUR_S).plan
    assert "exchange" not in {one.kind for one in plan.stages}
    assert {one.pattern for one in plan.stages} == {"steady", "pulsed", "random"}


@pytest.mark.parametrize(
    ("throttle_c", "maker_c", "above", "origin"),
    [
        (95.0, None, "90 °C", "5 K below the throttle temperature of 95 °C"),
        (100.0, 95.0, "90 °C", "5 K below the maker's limit of 95 °C"),
        (90.0, 95.0, "85 °C", "5 K below the throttle temperature of 90 °C"),
        (None, None, None, "the sheet states neither a throttle temperature nor a maker's limit"),
    ],
)
def test_the_temperature_limit_is_below_the_lowest_that_the_sheet_states(throttle_c, maker_c, above, origin):
    declared = sheet(1, limits=PowerLimits(throttle_c=throttle_c), makers_limits=MakersLimits(temperature_c=maker_c))
    draft = drafted(declared, ground(2), duration_s=HOUR_S)
    wanted = () if above is None else (Limit(of="cpu-temperature", above=above, hold_s=2.0),)
    assert draft.plan.limits == wanted
    assert draft.limit_origin.startswith(origin)


def test_the_plan_is_called_by_its_sheet_and_its_hours_and_no_longer_than_a_name_may_be():
    assert drafted(sheet(1), ground(2), duration_s=8 * HOUR_S).plan.name == "Trial: 8 h"
    long = sheet(1).model_copy(update={"name": "x" * 120})
    assert len(drafted(long, ground(2), duration_s=8 * HOUR_S).plan.name) == 120
