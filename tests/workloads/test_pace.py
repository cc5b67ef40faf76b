"""A round fills its time with short slices, beats between them, and turns halfway once with work still to come."""

from __future__ import annotations

import pytest

from soakd.workloads import pace


class Core:
    """A core of known speed with its own clock; records each slice."""

    def __init__(self, steps_per_s, most_steps=None):
        self.steps_per_s, self.most_steps = steps_per_s, most_steps
        self.now_ns, self.slices_s, self.beats, self.turns = 0, [], 0, []

    def perf_counter_ns(self):
        return int(self.now_ns)

    def advance(self, steps):
        steps = min(steps, self.most_steps or steps)
        self.slices_s.append(steps / self.steps_per_s)
        self.now_ns += 1e9 * self.slices_s[-1]
        return steps

    def beat(self):
        self.beats += 1

    def halfway(self):
        self.turns.append(len(self.slices_s))

    def fill(self, monkeypatch, target_s, guess=1e6):
        monkeypatch.setattr(pace, "perf_counter_ns", self.perf_counter_ns)
        return pace.fill(target_s, pace.Pace(steps_per_s=guess), self.advance, self.beat, self.halfway)


@pytest.mark.parametrize("steps_per_s", [2e5, 1e6, 3e7, 2e9])
@pytest.mark.parametrize("target_s", [0.02, 0.25, 1.0])
def test_a_round_takes_its_time_in_short_slices_with_a_beat_after_each(monkeypatch, steps_per_s, target_s):
    """Even when the core is five times slower than the first guess."""
    core = Core(steps_per_s)
    steps, work_s = core.fill(monkeypatch, target_s)
    assert target_s <= work_s + 1e-6 < 1.6 * target_s + 0.03
    assert steps == pytest.approx(steps_per_s * work_s, rel=1e-4)
    assert all(slice_s <= 0.02 for slice_s in core.slices_s[1:])
    assert core.beats == len(core.slices_s)


@pytest.mark.parametrize("target_s", [1e-9, 0.02, 0.5])
def test_halfway_comes_once_after_some_work_and_before_some(monkeypatch, target_s):
    core = Core(3e7)
    core.fill(monkeypatch, target_s)
    (turn,) = core.turns
    assert 0 < turn < len(core.slices_s)
    if target_s > 0.01:
        assert sum(core.slices_s[:turn]) == pytest.approx(target_s / 2, rel=0.05)


def test_slices_that_end_early_at_the_end_of_a_pass_are_counted_as_run(monkeypatch):
    core = Core(1e6, most_steps=700)
    steps, work_s = core.fill(monkeypatch, 0.05)
    assert steps == pytest.approx(1e6 * work_s, rel=1e-4)
    assert max(core.slices_s) <= 700 / 1e6


def test_the_pace_of_one_round_serves_the_next(monkeypatch):
    core, shared = Core(2e9), pace.Pace(steps_per_s=1e6)
    monkeypatch.setattr(pace, "perf_counter_ns", core.perf_counter_ns)
    pace.fill(0.5, shared, core.advance, core.beat, core.halfway)
    first = len(core.slices_s)
    pace.fill(0.5, shared, core.advance, core.beat, core.halfway)
    assert shared.steps_per_s == pytest.approx(2e9, rel=0.01)
    assert len(core.slices_s) - first <= first


class Pulses:
    """A gate on the core's own clock: open for `on_s` of every `period_s`, and shut for good after `pulses` of them.

    From asking it to the kernel's first instruction takes a microsecond; less than that is no open gate.
    """

    CALL_NS = 1000

    def __init__(self, core, period_s, on_s, pulses):
        self.core, self.period_ns, self.on_ns, self.pulses = core, period_s * 1e9, on_s * 1e9, pulses
        self.rise_ns = 0

    def wait(self):
        number, phase_ns = divmod(self.core.now_ns, self.period_ns)
        if phase_ns < self.on_ns - self.CALL_NS:
            self.rise_ns = self.core.now_ns
        else:
            number += 1
            self.rise_ns, phase_ns = number * self.period_ns, 0
        return (self.on_ns - phase_ns) / 1e9 if number < self.pulses else 0.0

    def start(self):
        self.core.now_ns = max(self.core.now_ns, self.rise_ns) + self.CALL_NS


@pytest.mark.parametrize(("period_s", "on_s"), [(0.001, 0.0001), (0.001, 0.0009), (0.02, 0.01), (1.0, 0.1)])
@pytest.mark.parametrize("guess", [1e6, 3e9])
def test_slices_keep_to_the_gate_once_the_pace_is_known(monkeypatch, period_s, on_s, guess):
    """Nothing runs in a rest but what the first slice of a wrong guess overruns."""
    core = Core(1e9)
    gate = Pulses(core, period_s, on_s, pulses=10**9)
    monkeypatch.setattr(pace, "perf_counter_ns", core.perf_counter_ns)
    shared, begun = pace.Pace(steps_per_s=guess), []
    advance = core.advance
    core.advance = lambda steps: (begun.append(core.now_ns), advance(steps))[1]
    steps, work_s = pace.fill(0.3, shared, core.advance, core.beat, core.halfway, gate)
    assert steps == pytest.approx(1e9 * work_s, rel=1e-4)
    assert 0.3 <= work_s + 1e-6 < 0.31
    assert len({int(at // gate.period_ns) for at in begun}) >= 0.29 / on_s, "a round spans as many pulses as it needs"
    for at, slice_s in list(zip(begun, core.slices_s, strict=True))[1:]:
        assert at % gate.period_ns + slice_s * 1e9 <= gate.on_ns + 10
    assert len(core.turns) == 1


def test_a_round_ends_when_the_gate_shuts_and_still_turns_halfway(monkeypatch):
    core = Core(1e9)
    gate = Pulses(core, 0.02, 0.01, pulses=3)
    monkeypatch.setattr(pace, "perf_counter_ns", core.perf_counter_ns)
    _, work_s = pace.fill(0.5, pace.Pace(steps_per_s=1e9), core.advance, core.beat, core.halfway, gate)
    assert work_s == pytest.approx(0.03, rel=1e-3)
    assert core.turns == [len(core.slices_s)]


def test_a_gate_that_is_shut_from_the_start_leaves_nothing_done(monkeypatch):
    core = Core(1e9)
    gate = Pulses(core, 0.02, 0.01, pulses=0)
    monkeypatch.setattr(pace, "perf_counter_ns", core.perf_counter_ns)
    assert pace.fill(0.5, pace.Pace(steps_per_s=1e9), core.advance, core.beat, core.halfway, gate) == (0, 0.0)
    assert core.slices_s == []
