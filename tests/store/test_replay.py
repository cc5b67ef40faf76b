"""What comes back from a journal of a run that never ended."""

import pytest
from load_parts import bench, clocks, story
from run_parts import evidence, plan, stage

from soakd.model.sheet import StepDown
from soakd.store.journal import Journal
from soakd.store.writer import Writer


def test_operating_points_of_a_run_that_died_are_those_that_a_living_gatherer_had_seen(tmp_path):
    """The bench dies in its second stage; what each worker had done by every tick was kept, to the millisecond."""
    stages = (stage(pattern="stepped", dwell_s=1.0, duration_s=8.0), stage(duration_s=60.0))
    run = bench(plan(*stages), clocks((1, 52), (2, 50), steps_down=(StepDown(at_c=70.0, by=2),)))
    told = story(run, heat=lambda at_s: 60.0 + at_s, clock=lambda _core, at_s: 5000.0 + at_s)
    before_death = [event for event in told if 0.5 < event.at_s < 30.0]
    writer = Writer(tmp_path / "journal.db")
    journal = Journal(writer)
    journal.begin(run)
    journal.load_begins(run.run_id, before_death[0])
    for event in before_death[1:]:
        journal.add(run, event)
    live, again = (evidence(run, events).points for events in (before_death, journal.replay(run)))
    writer.close()
    assert {point.state for point in live} == {"covered", "short", "faster", "not visited"}
    seconds = ("dwelt_s", "held_s", "below_s", "above_s")
    for was, now in zip(live, again, strict=True):
        same = dict.fromkeys(seconds, 0.0)
        assert now.model_copy(update=same) == was.model_copy(update=same)
        for name in seconds:
            assert getattr(now, name) == pytest.approx(getattr(was, name), abs=0.002)
