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
