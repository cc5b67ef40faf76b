"""The queue on a real journal, with a clock that only moves when told to: what starts when, and what follows."""

import os

import psutil
import pytest
from queue_bench import EVENING, Bench, plan

from soakd.crew.capacity import CACHES
from soakd.errors import ConfigError, RefusedError, StoreError, UsageError
from soakd.model.entry import EntryAsk, EntryState
from soakd.model.plan import GuardRules
from soakd.model.sheet import Sheet
from soakd.sensors.snapshot import take_snapshot
from soakd.store.queue import claimed


@pytest.fixture
def bench(tmp_path):
    made = Bench(tmp_path / "journal.db")
    yield made
    made.writer.close()


def test_ten_entries_of_mixed_kinds_run_in_the_right_order_through_a_night(bench):
    """It is 21:00 in Berlin."""
    bench.add("low", priority=-1)
    bench.add("first")
    bench.add("urgent", priority=5)
    bench.add("second")
    bench.add("at eleven", at="23:00")
    bench.add("in the window", window="22:30-06:00")
    bench.add("every midnight", cron="0 0 * * *")
    leader = bench.add("leader", at="23:30")
    bench.add("follower", after=leader)
    held = bench.add("held")
    bench.operations.hold(held)
    order = []
    for _ in range(20):  # half-hour steps from 21:00 to 07:00
        while name := bench.run():
            order.append((name, round((bench.clock.wall() - EVENING) / 1800)))
        bench.hours(0.5)
    assert order == [
        ("urgent", 0), ("first", 0), ("second", 0), ("low", 0),
        ("in the window", 3), ("at eleven", 4), ("leader", 5), ("follower", 5), ("every midnight", 6),
    ]  # fmt: skip
    assert bench.state(held) is EntryState.HELD
    assert bench.told == []


def test_a_cancelled_entry_never_runs_and_a_released_one_does(bench):
    gone, kept = bench.add("gone"), bench.add("kept")
    bench.operations.cancel(gone)
    bench.operations.hold(kept)
    assert bench.run() is None
    bench.operations.release(kept)
    assert bench.run() == "kept"
    assert bench.run() is None
    with pytest.raises(UsageError, match="cancelled"):
        bench.operations.release(gone)


def test_a_later_entry_can_be_put_first(bench):
    names = ["a", "b", "c"]
    ids = []
    for name in names:
        ids.append(bench.add(name))
        bench.hours(0.01)
    bench.operations.reorder(ids[2], place=0, priority=0)
    assert [line.entry_id for line in bench.queue.lines(9)] == [ids[2], ids[0], ids[1]]
    assert [bench.run() for _ in names] == ["c", "a", "b"]


def test_an_entry_that_asks_for_three_runs_gets_three(bench):
    entry = bench.add("thrice", count=3)
    assert [bench.run() for _ in range(5)] == ["thrice"] * 3 + [None] * 2
    assert bench.state(entry) is EntryState.DONE
    assert bench.queue.find(entry).runs_done == 3


def test_a_window_gives_one_run_a_night_and_goes_on(bench):
    bench.add("nightly", window="23:00-05:00")
    starts = []
    for hour in range(72):
        if bench.run():
            starts.append(hour)
        bench.hours(1)
    assert starts == [2, 26, 50]


def test_a_run_that_fills_its_window_costs_no_other_night(bench):
    bench.add("nightly", window="23:00-05:00")
    starts = []
    while (hour := (bench.clock.wall() - EVENING) / 3600) < 72:
        if start := bench.start():
            starts.append(round(hour))
            bench.hours(6.001)
            bench.end(start)
        bench.hours(1)
    assert starts == [2, 26, 50]


def test_a_daemon_that_was_down_makes_up_for_a_late_start_or_tells_that_it_was_missed(bench):
    late, missed = bench.add("late", at="23:00"), bench.add("too late", at="2026-11-24 22:00")
    bench.hours(13.5)
    bench.reborn()
    assert bench.run() == "late"
    assert bench.state(missed) is EntryState.MISSED
    assert [occasion for occasion, _ in bench.told] == ["missed"]
    assert "22:00" in bench.queue.find(missed).reason
    assert bench.state(late) is EntryState.DONE


def test_a_follower_starts_after_a_pass_and_is_given_up_after_anything_else(bench):
    leader = bench.add("leader")
    follower, stubborn = bench.add("follower", after=leader), bench.add("stubborn", after=leader, after_any=True)
    assert bench.run("fail") == "leader"
    assert bench.run() == "stubborn"
    assert bench.state(follower) is EntryState.CANCELLED
    assert "ended in fail" in bench.queue.find(follower).reason
    assert bench.state(stubborn) is EntryState.DONE


def test_nothing_can_follow_what_has_ended_or_never_ends(bench):
    done = bench.add("done")
    bench.run()
    endless = bench.add("endless", cron="0 23 * * *")
    for other in (done, endless):
        with pytest.raises(RefusedError):
            bench.add("follower", after=other)


def test_the_first_failure_ends_a_series_that_asked_for_it(bench):
    trials = [bench.add(f"trial {n}", series="curve", stop_series=True) for n in range(4)]
    other = bench.add("other")
    assert bench.run("pass") == "trial 0"
    assert bench.run("inconclusive") == "trial 1"
    assert bench.run() == "other"
    assert [bench.state(entry) for entry in trials[2:]] == [EntryState.CANCELLED] * 2
    assert bench.state(other) is EntryState.DONE
    assert "trial 1 was inconclusive" in bench.queue.find(trials[3]).reason


def test_at_boot_waits_for_another_boot_and_settles_first(bench, monkeypatch):
    entry = bench.add("after the firmware", at_boot=True, settle=60.0)
    bench.dispatcher.machine_started()
    assert bench.run() is None
    assert bench.queue.find(entry).due_utc is None
    monkeypatch.setattr("soakd.service.dispatcher.boot_id", lambda: "another boot")
    bench.dispatcher.machine_started()
    assert bench.run() is None
    bench.clock.advance(61.0)
    assert bench.run() == "after the firmware"


def test_at_boot_holds_an_entry_whose_sheet_the_bench_contradicts(bench, monkeypatch):
    sheet = Sheet(version=1, name="T", processor={"threads": 4096}, values={"memory data rate": "6000 MT/s"})
    ask = EntryAsk(plan=plan("wrong firmware"), sheet=sheet, at_boot=True, settle=0.0)
    entry = bench.operations.add(ask).entry_id
    monkeypatch.setattr("soakd.service.dispatcher.boot_id", lambda: "another boot")
    bench.dispatcher.machine_started()
    assert bench.run() is None
    assert bench.state(entry) is EntryState.HELD
    assert "processor: threads = 4096: declared 4096, the system shows" in bench.queue.find(entry).reason
    assert bench.told[0][0] == "not-started"


UNSOUND = Sheet(version=1, name="T", cache={"lighter-ratio": 40.0, "heavier-ratio": 41.0})
ELSEWHERE = Sheet(version=1, name="T", processor={"threads": 4096})


@pytest.mark.parametrize("when", [{"at": "23:00"}, {"at_boot": True}])
def test_a_sheet_that_contradicts_itself_is_refused_when_it_is_added(bench, when):
    with pytest.raises(ConfigError, match="sheet T: cache: heavier-ratio = 41: heavier load has no higher ratio"):
        bench.add(sheet=UNSOUND, **when)
    assert bench.queue.lines(10) == []


def test_a_sheet_of_another_bench_is_refused_unless_its_settings_are_still_to_come(bench):
    with pytest.raises(ConfigError, match="processor: threads = 4096: declared 4096, the system shows"):
        bench.add(sheet=ELSEWHERE, at="23:00")
    assert bench.state(bench.add(sheet=ELSEWHERE, at_boot=True)) is EntryState.WAITING


def test_a_sheet_that_the_bench_no_longer_fits_holds_its_entry(bench, monkeypatch):
    threads = os.cpu_count()
    entry = bench.add(sheet=Sheet(version=1, name="T", processor={"threads": threads}), at="23:00")
    lost = take_snapshot().model_copy(update={"logical_cores": threads - 1})
    monkeypatch.setattr("soakd.service.draft.take_snapshot", lambda: lost)
    bench.hours(3)
    assert bench.run() is None
    assert bench.state(entry) is EntryState.HELD
    assert f"declared {threads}, the system shows {threads - 1}" in bench.queue.find(entry).reason


def test_what_this_bench_cannot_do_is_refused_when_it_is_added_and_not_at_midnight(bench, monkeypatch):
    with pytest.raises(ConfigError, match="no such core"):
        bench.operations.add(EntryAsk(plan=plan(cores=(4000,)), at="23:00"))
    guarded = plan().model_copy(update={"guard": GuardRules(temperature="required")})
    with pytest.raises(RefusedError, match="temperature"):
        bench.operations.add(EntryAsk(plan=guarded, at="23:00"))
    caches_bytes = psutil.virtual_memory().total / 40
    monkeypatch.setattr("soakd.service.bench.last_level_cache_bytes", lambda: caches_bytes / CACHES)
    monkeypatch.setattr("soakd.service.bench.available_memory_bytes", lambda: caches_bytes)  # a run has the rest
    with pytest.raises(ConfigError, match=r"the caches could answer; at least 2\.5 %"):
        bench.operations.add(EntryAsk(plan=plan(workload="memory", memory_percent=2.4), at="23:00"))
    with pytest.raises(UsageError, match="time zone"):
        bench.add(at="23:00", zone="Mars/Olympus")
    assert bench.queue.lines(10) == []


def test_a_stepped_clock_starts_nothing_twice(bench):
    bench.add("once", at="23:00")
    bench.hours(3)
    assert bench.run() == "once"
    bench.hours(-4)
    assert bench.run() is None
    bench.hours(8)
    assert bench.run() is None


def test_claiming_twice_is_refused_by_the_store(bench):
    bench.add("one")
    start = bench.dispatcher.next_start()
    bench.journal.begin(start.record, start.entry.entry_id, claim=[claimed(start.entry)])
    again = start.record.model_copy(update={"run_id": "other"})
    with pytest.raises(StoreError, match="not in the state"):
        bench.journal.begin(again, start.entry.entry_id, claim=[claimed(start.entry)])
    assert [run.run_id for run in bench.journal.orphans()] == [start.record.run_id]
