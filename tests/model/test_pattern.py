"""Load patterns: the right workers work at any moment, and on-times add up to what is planned, to the nanosecond."""

from __future__ import annotations

import ast
import itertools
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakd.model import pattern as module
from soakd.model.pattern import STEADY, Cycle, Pattern, cycle_of, random_intervals
from soakd.splitmix import split_mix

MS = 1_000_000
SECOND = 1000 * MS
dwells = st.integers(SECOND // 2, 5 * SECOND)
counts = st.integers(1, 40)
moments = st.integers(0, 10**14)


@st.composite
def patterns(draw):
    name = draw(st.sampled_from(["steady", "walking", "stepped", "pulsed", "random"]))
    if name in {"walking", "stepped"}:
        return Pattern(name=name, dwell_ns=draw(dwells))
    if name == "pulsed":
        period_ns = draw(st.integers(MS, 10 * SECOND))
        return Pattern(name=name, period_ns=period_ns, on_ns=round(period_ns * draw(st.integers(10, 90)) / 100))
    if name == "random":
        shortest_ns = draw(st.integers(MS, SECOND))
        longest_ns = draw(st.integers(shortest_ns, 10 * SECOND))
        return Pattern(name=name, shortest_ns=shortest_ns, longest_ns=longest_ns, seed=draw(st.integers(0, 2**32 - 1)))
    return STEADY


def walked(cycle: Cycle, length_ns: int, most: int = 20_000) -> int:
    """On-time of a stage by going from edge to edge, as a worker does."""
    now_ns = load_ns = 0
    for _ in range(most):
        span = cycle.at(now_ns)
        until_ns = min(span.until_ns, length_ns)
        assert until_ns > now_ns
        load_ns += span.works * (until_ns - now_ns)
        now_ns = until_ns
        if now_ns == length_ns:
            return load_ns
    raise AssertionError("too many edges for a test")


@given(patterns(), counts, st.data(), st.integers(1, 60 * SECOND))
def test_going_from_edge_to_edge_adds_up_to_the_planned_load(pattern, workers, data, length_ns):
    worker = data.draw(st.integers(0, workers - 1))
    cycle = cycle_of(pattern, worker, workers)
    length_ns = min(length_ns, 5000 * (pattern.period_ns or pattern.shortest_ns or SECOND))
    assert walked(cycle, length_ns) == cycle.load_ns(length_ns)


@given(patterns(), counts, moments)
def test_a_moment_s_answer_holds_until_it_says_and_not_longer(pattern, workers, now_ns):
    for worker in {0, workers // 2, workers - 1}:
        cycle = cycle_of(pattern, worker, workers)
        span = cycle.at(now_ns)
        assert span.until_ns > now_ns
        if cycle.full:
            assert span.works
            continue
        last = cycle.at(span.until_ns - 1)
        assert (last.works, last.until_ns) == span
        assert cycle.at(span.until_ns).works is not span.works
        length_ns = span.until_ns - now_ns
        assert cycle.load_ns(span.until_ns) - cycle.load_ns(now_ns) == (length_ns if span.works else 0)


def at_work(pattern, workers, now_ns):
    return [worker for worker in range(workers) if cycle_of(pattern, worker, workers).at(now_ns).works]


@given(counts, moments)
def test_steady_is_everybody_always(workers, now_ns):
    assert at_work(STEADY, workers, now_ns) == list(range(workers))


@given(dwells, counts, moments)
def test_walking_is_exactly_one_worker_in_turn(dwell_ns, workers, now_ns):
    assert at_work(Pattern(name="walking", dwell_ns=dwell_ns), workers, now_ns) == [now_ns // dwell_ns % workers]


@given(dwells, counts, moments)
def test_stepped_is_one_more_worker_in_each_step_then_over_again(dwell_ns, workers, now_ns):
    step = now_ns // dwell_ns % workers
    assert at_work(Pattern(name="stepped", dwell_ns=dwell_ns), workers, now_ns) == list(range(step + 1))


@given(st.integers(MS, 10 * SECOND), st.integers(10, 90), moments)
def test_pulsed_is_one_grid_from_the_stage_s_start_for_everybody(period_ns, on_percent, now_ns):
    on_ns = period_ns * on_percent // 100
    working = at_work(Pattern(name="pulsed", period_ns=period_ns, on_ns=on_ns), 16, now_ns)
    assert working == (list(range(16)) if now_ns % period_ns < on_ns else [])


@given(st.integers(0, 2**32 - 1), moments)
def test_random_is_one_schedule_for_everybody(seed, now_ns):
    pattern = Pattern(name="random", shortest_ns=MS, longest_ns=SECOND, seed=seed)
    assert at_work(pattern, 16, now_ns) in ([], list(range(16)))


@given(st.integers(0, 2**32 - 1), st.integers(MS, SECOND), st.integers(1, 10_000))
def test_random_intervals_keep_their_bounds_and_come_back_with_their_seed(seed, shortest_ns, factor_percent):
    longest_ns = shortest_ns + shortest_ns * factor_percent // 100
    drawn = list(itertools.islice(random_intervals(seed, shortest_ns, longest_ns), 400))
    assert all(shortest_ns <= interval <= longest_ns for interval in drawn)
    assert drawn == list(itertools.islice(random_intervals(seed, shortest_ns, longest_ns), 400))
    assert drawn != list(itertools.islice(random_intervals(seed + 1, shortest_ns, longest_ns), 400))


def test_random_intervals_visit_every_octave_between_their_bounds():
    drawn = list(itertools.islice(random_intervals(7, MS, 1024 * MS), 4000))
    for octave in range(10):
        here = sum(MS << octave <= interval < MS << octave + 1 for interval in drawn)
        assert 300 < here < 500, octave


def test_a_random_schedule_starts_with_load_and_follows_its_intervals():
    lengths = list(itertools.islice(random_intervals(99, MS, 50 * MS), 20))
    cycle = cycle_of(Pattern(name="random", shortest_ns=MS, longest_ns=50 * MS, seed=99), 0, 1)
    now_ns = 0
    for number, length_ns in enumerate(lengths):
        assert cycle.at(now_ns) == (number % 2 == 0, now_ns + length_ns)
        now_ns += length_ns


def test_the_generator_is_the_published_one():
    """First values for seed 1234567, as published with several implementations (from memory)."""
    assert [split_mix(1234567, index) for index in range(5)] == [
        6457827717110365317, 3203168211198807973, 9817491932198370423, 4593380528125082431, 16408922859458223821,
    ]  # fmt: skip


def test_an_unknown_pattern_is_refused():
    with pytest.raises(ValueError, match="no such pattern"):
        cycle_of(Pattern(name="running"), 0, 1)


def test_the_module_is_a_leaf():
    tree = ast.parse(Path(module.__file__).read_text())
    imported = {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert {name for name in imported if name.startswith(("soakd", "pydantic"))} == {"soakd.splitmix"}
