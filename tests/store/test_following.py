"""A run that is followed while it is written is the run that is read at its end."""

import random
from contextlib import closing

import pytest
from load_parts import bench, clocks, story
from run_parts import evidence, plan, stage

from soakd.model.journal import Cooling
from soakd.store import following
from soakd.store.following import Following
from soakd.store.journal import Journal
from soakd.store.writer import Writer


def night():
    run = bench(plan(stage(duration_s=20.0), stage(duration_s=30.0)), clocks((1, 52), (2, 50)))
    return run, list(story(run, heat=lambda at_s: 60.0 + at_s, clock=lambda _core, _at_s: 5000.0))


@pytest.mark.parametrize("piece", [3, 256])
@pytest.mark.parametrize("seed", range(5))
def test_however_often_one_looks_nothing_is_missed_and_nothing_comes_twice(tmp_path, monkeypatch, piece, seed):
    monkeypatch.setattr(following, "PIECE", piece)
    run, told = night()
    draw = random.Random(seed)
    with closing(Writer(tmp_path / "journal.db")) as writer:
        journal = Journal(writer)
        journal.begin(run)
        journal.load_begins(run.run_id, told[0])
        seen = []
        with closing(Following(tmp_path / "journal.db", run.run_id)) as follower:
            assert follower.record == run
            for event in told[1:]:
                journal.add(run, event)
                if draw.random() < 0.2:
                    seen += follower.news()
            seen += follower.news()
            while follower.behind:
                seen += follower.news()
            assert follower.news() == []
    assert [(event.kind, event.at_s) for event in seen] == [(event.kind, event.at_s) for event in told]
    whole, followed = evidence(run, told), evidence(run, seen)
    assert [result.mismatches for result in followed.stages] == [result.mismatches for result in whole.stages]
    assert [result.operations for result in followed.stages] == [result.operations for result in whole.stages]
    assert followed.limits == whole.limits


def test_what_is_told_late_is_not_lost(tmp_path, monkeypatch):
    """A cooling that is told of a moment before the one told last."""
    monkeypatch.setattr(following, "PIECE", 3)
    run, told = night()
    late = [Cooling(at_s=30.0, values={"late": 1.0}), Cooling(at_s=5.0, values={"late": 2.0})]
    with closing(Writer(tmp_path / "journal.db")) as writer:
        journal = Journal(writer)
        journal.begin(run)
        journal.load_begins(run.run_id, told[0])
        for event in (*told[1:], *late):
            journal.add(run, event)
        with closing(Following(tmp_path / "journal.db", run.run_id)) as follower:
            seen = follower.news()
            while follower.behind:
                seen += follower.news()
    assert sorted(event.at_s for event in seen) == sorted(event.at_s for event in (*told, *late))


def test_the_newest_tick_tells_its_workers_operations(tmp_path):
    """They are kept beside the ticks; a page shows them while the stage goes on."""
    run, told = night()
    half = [event for event in told if event.at_s < 12.0]
    with closing(Writer(tmp_path / "journal.db")) as writer:
        journal = Journal(writer)
        journal.begin(run)
        journal.load_begins(run.run_id, half[0])
        for event in half[1:]:
            journal.add(run, event)
        with closing(Following(tmp_path / "journal.db", run.run_id)) as follower:
            last = follower.news()[-1]
    assert last.workers == half[-1].workers
    assert any(worker.operations for worker in last.workers)
