"""The operating points of a sheet, and which of them a core is at."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st
from sheet_parts import CORES, WIDTHS, any_clocks, orderly_clocks

from soakd.model.sheet import ActiveLimit, Clocks, StepDown
from soakd.rules.allowed import allowed
from soakd.rules.points import Point, groups, point_of, points, steps

LANTERN = Clocks(
    limits=(ActiveLimit(active_cores=2, ratio=55), ActiveLimit(active_cores=6, ratio=50)),
    steps_down=(StepDown(at_c=85.0, by=3, active_cores=4), StepDown(at_c=70.0, by=1)),
)


def test_without_limits_by_active_cores_the_groups_are_one_and_all():
    assert groups(Clocks(), 8) == (1, 8)
    assert groups(Clocks(), 1) == (1,)


def test_the_last_group_holds_all_cores_of_the_bench():
    assert groups(LANTERN, 6) == (2, 6)
    assert groups(LANTERN, 8) == (2, 6, 8)  # 7 and 8 are possible, though nothing is declared for them
    assert groups(LANTERN, 4) == (2, 4)  # what a smaller bench cannot have is cut
    assert groups(LANTERN, 2) == (2,)


def test_steps_count_from_one_by_rising_temperature():
    assert [step.at_c for step in steps(LANTERN)] == [70.0, 85.0]


def test_a_step_that_needs_more_cores_than_a_group_has_makes_no_point_there():
    found = points(LANTERN, cores=range(6), widths=(64, 256))
    assert len(found) == 6 * 2 * (2 + 3)
    assert Point(core=0, active=2, width=64, step=1) in found
    assert Point(core=0, active=2, width=64, step=2) not in found
    assert Point(core=5, active=6, width=256, step=2) in found


def test_of_two_steps_at_one_temperature_only_the_deeper_is_seen_where_both_are_reached():
    both = (StepDown(at_c=80.0, by=1), StepDown(at_c=80.0, by=2, active_cores=3))
    clocks = LANTERN.model_copy(update={"steps_down": both})
    found = {(point.active, point.step) for point in points(clocks, cores=range(8), widths=(64,))}
    assert found == {(2, 0), (2, 1), (6, 0), (6, 2), (8, 0), (8, 2)}


def test_where_a_core_is():
    def where(active: int, temperature_c: float | None) -> Point:
        return point_of(LANTERN, core=3, active=active, width=64, temperature_c=temperature_c, cores=range(6))

    assert where(1, None) == Point(3, 2, 64, 0)
    assert where(2, 69.9) == Point(3, 2, 64, 0)
    assert where(3, 70.0) == Point(3, 6, 64, 1)
    assert where(3, 90.0) == Point(3, 6, 64, 1)
    assert where(4, 85.0) == Point(3, 6, 64, 2)
    assert where(9, None) == Point(3, 6, 64, 0)  # more than there are is all of them


@given(
    any_clocks(),
    st.sets(st.integers(0, CORES - 1), min_size=1),
    st.integers(1, CORES),
    st.sampled_from(WIDTHS),
    st.none() | st.floats(-20.0, 120.0),
    st.data(),
)
def test_every_core_is_always_at_one_of_the_points(clocks, cores, active, width, temperature_c, data):
    core = data.draw(st.sampled_from(sorted(cores)))
    active = min(active, len(cores))
    every = points(clocks, cores=sorted(cores), widths=WIDTHS)
    at = point_of(clocks, core=core, active=active, width=width, temperature_c=temperature_c, cores=sorted(cores))
    assert len(set(every)) == len(every)
    assert at in every
    assert at.active >= active


@given(any_clocks(), st.integers(1, CORES))
def test_every_point_can_be_reached(clocks, count):
    moments = [None, *(step.at_c for step in clocks.steps_down)]
    seen = {
        point_of(clocks, core=0, active=active, width=64, temperature_c=moment_c, cores=range(count))
        for active in range(1, count + 1)
        for moment_c in moments
    }
    assert seen == {point for point in points(clocks, cores=range(count), widths=(64,)) if point.core == 0}


@given(orderly_clocks(), st.integers(1, CORES), st.none() | st.floats(-20.0, 120.0), st.sampled_from(WIDTHS))
def test_all_counts_of_a_group_have_one_limit_and_a_deeper_step_never_a_higher_one(
    clocks, active, temperature_c, width
):
    """What makes them one point: the group alone decides the ratio, the step how far it is lowered."""
    at = point_of(clocks, core=0, active=active, width=width, temperature_c=temperature_c, cores=range(CORES))
    cool = allowed(clocks, core=0, active=active, width=width, temperature_c=None)
    assert cool == allowed(clocks, core=0, active=at.active, width=width, temperature_c=None)
    now = allowed(clocks, core=0, active=active, width=width, temperature_c=temperature_c)
    if now is not None and cool is not None:
        lowered = steps(clocks)[at.step - 1].by if at.step else 0.0
        assert now.ratio == cool.ratio - lowered
