"""The gate lets a worker work exactly when its pattern says so, and counts nothing else as load."""

from __future__ import annotations

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakd.crew import gate as module
from soakd.crew.gate import PatternGate, Spent
from soakd.crew.slots import WorkerState
from soakd.model.pattern import STEADY, Pattern, cycle_of
from soakd.workloads.spin import Spin

MS = 1_000_000
SECOND = 1000 * MS
START_NS = 77 * SECOND


class Machine:
    """A clock that moves when somebody sleeps, spins or works; sleepers are woken late."""

    def __init__(self, pattern, length_ns, *, worker=0, workers=2, late_ns=60_000):
        self.now_ns = START_NS
        self.late_ns = late_ns
        self.beats, self.states, self.spun_ns = 0, [], 0
        self.gate = PatternGate(
            cycle_of(pattern, worker, workers), START_NS, START_NS + length_ns,
            spin=self, beat=self.beat, enter=self.states.append,
        )  # fmt: skip

    def monotonic_ns(self):
        return self.now_ns

    def sleep(self, seconds):
        assert seconds <= 0.02
        self.now_ns += round(seconds * 1e9) + self.late_ns

    def until(self, moment_ns):
        self.spun_ns += max(0, moment_ns - self.now_ns)
        self.now_ns = max(self.now_ns, moment_ns)

    def beat(self):
        self.beats += 1

    def burst(self):
        """Wait, then work as long as the gate allows; when, from the stage's start, or None."""
        open_s = self.gate.wait()
        if not open_s:
            return None
        self.gate.start()
        begun_ns = self.now_ns - START_NS
        self.now_ns += round(open_s * 1e9)
        return begun_ns, self.now_ns - START_NS


@pytest.fixture
def machine(monkeypatch):
    def made(*arguments, **options):
        made_machine = Machine(*arguments, **options)
        monkeypatch.setattr(module, "time", made_machine)
        return made_machine

    return made


def pulsed(period_ns, on_ns):
    return Pattern(name="pulsed", period_ns=period_ns, on_ns=on_ns)


@pytest.mark.parametrize(
    ("period_ns", "on_ns"), [(MS, MS // 10), (MS, 9 * MS // 10), (20 * MS, 10 * MS), (400 * MS, 40 * MS)]
)
def test_bursts_begin_and_end_on_the_grid_and_add_up_to_the_plan(machine, period_ns, on_ns):
    here = machine(pulsed(period_ns, on_ns), 50 * period_ns)
    bursts = [here.burst() for _ in range(51)]
    assert bursts[:50] == [(n * period_ns, n * period_ns + on_ns) for n in range(50)]
    assert bursts[50] is None, "the stage is over"
    assert here.gate.spent().load_ns == 50 * on_ns
    assert here.spun_ns <= 50 * 200_000


def test_a_late_riser_works_what_is_left_and_what_passed_does_not_count(machine):
    here = machine(pulsed(20 * MS, 10 * MS), 200 * MS, late_ns=3 * MS)
    assert here.burst() == (0, 10 * MS)
    begun_ns, ended_ns = here.burst()
    assert 20 * MS < begun_ns < 23 * MS
    assert ended_ns == 30 * MS
    assert here.gate.spent().load_ns == 10 * MS + ended_ns - begun_ns


def test_pulses_that_were_slept_through_do_not_count(machine):
    here = machine(pulsed(2 * MS, MS), 200 * MS, late_ns=11 * MS)
    load_ns = 0
    while burst := here.burst():
        assert burst[0] % (2 * MS) < MS
        load_ns += burst[1] - burst[0]
    assert 0 < load_ns < 30 * MS
    assert here.gate.spent().load_ns == load_ns


def test_a_rest_beats_and_is_told(machine):
    here = machine(pulsed(10 * SECOND, SECOND), 20 * SECOND)
    here.burst()
    before = here.beats
    here.gate.begin_round()
    assert here.burst() == (10 * SECOND, 11 * SECOND)
    assert here.beats - before > 9 * 40
    assert here.states == [WorkerState.RESTING, WorkerState.WORKING]


@pytest.mark.parametrize("rest_ms", [450, 600])
def test_only_a_long_rest_ends_a_round_that_has_worked(machine, rest_ms):
    here = machine(pulsed((100 + rest_ms) * MS, 100 * MS), 10 * SECOND)
    here.gate.begin_round()
    assert here.burst()
    assert (here.gate.wait() == 0.0) == (rest_ms >= 500)
    here.gate.begin_round()
    assert here.gate.wait() == pytest.approx(0.1), "the next round waits for the load"


def test_a_round_takes_what_is_left_before_a_long_rest(machine):
    here = machine(pulsed(10 * SECOND, SECOND), 30 * SECOND)
    assert here.gate.room_s() == pytest.approx(1.0)
    here.now_ns += 600 * MS
    assert here.gate.room_s() == pytest.approx(0.4)
    here.now_ns += 390 * MS
    assert here.gate.room_s() == pytest.approx(2.01), "too little for a round of its own"
    here.now_ns = START_NS + 2 * SECOND
    assert here.gate.room_s() == pytest.approx(1.0), "the next one"


def test_a_round_spans_short_rests_up_to_the_stage_s_end(machine):
    here = machine(pulsed(MS, MS // 2), 3 * SECOND)
    assert here.gate.room_s() == pytest.approx(1.5)
    here.now_ns += 3 * SECOND
    assert here.gate.room_s() == 0.0
    assert here.gate.wait() == 0.0


def test_steady_work_is_never_held_up_and_ends_with_the_stage(machine):
    here = machine(STEADY, 3 * SECOND)
    assert here.gate.wait() == pytest.approx(3.0)
    here.now_ns += 3 * SECOND - MS
    assert here.gate.wait() == pytest.approx(0.001)
    here.now_ns += 5 * MS
    assert here.gate.wait() == 0.0
    assert here.gate.spent().load_ns == 3 * SECOND, "nothing after the end counts"
    assert here.beats == here.spun_ns == 0


def test_walking_workers_take_turns_to_the_moment(machine):
    walking = Pattern(name="walking", dwell_ns=SECOND)
    for worker in (0, 1):
        here = machine(walking, 4 * SECOND, worker=worker)
        for turn in (worker, worker + 2):
            here.gate.begin_round()
            assert here.burst() == (turn * SECOND, (turn + 1) * SECOND)
        assert here.gate.wait() == 0.0


def test_spinning_ends_at_the_moment_and_not_before():
    spin = Spin()
    for ahead_ns in (0, 1000, 300_000):
        moment_ns = time.monotonic_ns() + ahead_ns
        spin.until(moment_ns)
        assert time.monotonic_ns() >= moment_ns
    late_ns = []
    for _ in range(200):
        moment_ns = time.monotonic_ns() + 20_000
        spin.until(moment_ns)
        late_ns.append(time.monotonic_ns() - moment_ns)
    assert min(late_ns) < 20_000


NS = st.integers(0, 10 * SECOND)


@given(NS, NS, NS)
def test_no_core_works_longer_than_it_was_loaded_and_none_waits_while_it_works(load_ns, core_ns, queued_ns):
    """Whatever the kernel's three counters say of one round."""
    checked_us, core_us = Spent(load_ns, core_ns, queued_ns).since(Spent(0, 0, 0))
    assert 0 <= core_us <= checked_us <= load_ns / 1000


@pytest.mark.parametrize(
    ("round_ms", "credited_ms"),
    [
        ((500, 500, 0), (500, 500)),
        ((500, 400, 100), (400, 400)),  # another process had the core
        ((500, 400, 0), (500, 400)),  # the host had it
        ((2000, 85, 2010), (85, 85)),  # the queue's counter is read later than the clock
        ((500, 510, 0), (500, 500)),  # so is the core's
    ],
)
def test_what_others_took_is_not_checked_load(round_ms, credited_ms):
    spent = Spent(*(MS * (7 + part) for part in round_ms))
    assert tuple(us // 1000 for us in spent.since(Spent(7 * MS, 7 * MS, 7 * MS))) == credited_ms
