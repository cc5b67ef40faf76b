"""The sampler with real threads and real time: who waits for whom, what is said when a source fails."""

from __future__ import annotations

import itertools
import queue
import threading
import time

import pytest

from soakd.clock import FakeClock, SystemClock
from soakd.model.channels import Channel, Role
from soakd.sensors.sampler import ThreadedSampler, read_safely, remarks_of

PATIENCE_S = 10.0


class Source:
    """A source of two channels with a scripted reading."""

    def __init__(self, name="good", read=None):
        self.name = name
        self._read = read or (lambda: ({"a": 1.0, "b": 2.0}, {}))

    def channels(self):
        return [Channel(name=name, role=Role.OTHER_TEMPERATURE) for name in ("a", "b")]

    def read(self):
        return self._read()


@pytest.fixture
def sampler_of():
    """Starts a sampler over sources; everything is let go at the end."""
    started = []

    def start(*sources, tick_s=0.01, **options):
        batches = queue.SimpleQueue()
        sampler = ThreadedSampler(sources, tick_s=tick_s, clock=SystemClock(), **options)
        sampler.start(batches.put)
        started.append(sampler)
        return sampler, batches

    yield start
    for sampler in started:
        sampler.stop()


@pytest.fixture
def hang():
    """A source that hangs in its driver from its second read on, until the test is over."""
    released = threading.Event()
    reads = itertools.count()
    hanging = threading.Event()

    def read():
        if next(reads) > 0:
            hanging.set()
            released.wait(PATIENCE_S)
        return {"a": 1.0, "b": 1.0}, {}

    source = Source("hung", read)
    source.hanging, source.released = hanging, released
    yield source
    released.set()


def test_a_source_that_hangs_delays_no_other_one(sampler_of, hang):
    _, batches = sampler_of(hang, Source("good"))
    assert hang.hanging.wait(PATIENCE_S)
    seen = [batches.get(timeout=PATIENCE_S).source for _ in range(30)]
    assert seen.count("hung") == 1
    assert seen.count("good") == 29


def test_a_source_that_raises_is_a_gap_on_all_its_channels_at_every_tick_and_recovers(sampler_of):
    reads = itertools.count()

    def read():
        if next(reads) < 2:
            raise RuntimeError("the bus is stuck")
        return {"a": 1.0, "b": 2.0}, {}

    _, batches = sampler_of(Source("bad", read))
    for _ in range(2):
        batch = batches.get(timeout=PATIENCE_S)
        assert batch.values == {}
        assert batch.gaps == dict.fromkeys("ab", "the source failed: RuntimeError: the bus is stuck")
    assert batches.get(timeout=PATIENCE_S).values == {"a": 1.0, "b": 2.0}


class Talker(Source):
    """Says something besides its readings."""

    def __init__(self, remarks):
        super().__init__("talker")
        self._remarks = remarks

    def remarks(self):
        return self._remarks()


def test_what_a_source_remarks_comes_with_its_readings(sampler_of):
    said = iter([{"a": "line 1"}, {}])
    _, batches = sampler_of(Talker(lambda: next(said, {})), Source("good"))
    talker = [batch for batch in (batches.get(timeout=PATIENCE_S) for _ in range(8)) if batch.source == "talker"]
    assert [batch.remarks for batch in talker][:2] == [{"a": "line 1"}, {}]
    assert all(batch.values for batch in talker)


@pytest.mark.parametrize(
    ("remarks", "told"),
    [
        (lambda: {"a": 5}, {"a": "5"}),
        (lambda: None, {"a": "its remarks are lost: AttributeError: 'NoneType' object has no attribute 'items'"}),
        (lambda: 1 / 0, {"a": "its remarks are lost: ZeroDivisionError: division by zero"}),
    ],
)
def test_remarks_that_fail_are_told_as_one_and_cost_no_reading(remarks, told):
    assert remarks_of(Talker(remarks)) == told


def test_a_source_without_remarks_has_none():
    assert remarks_of(Source()) == {}


def test_a_slow_source_says_how_many_ticks_it_has_missed_and_keeps_to_the_grid(sampler_of):
    def read():
        time.sleep(0.035)
        return {"a": 1.0, "b": 2.0}, {}

    begun_s = SystemClock().monotonic()
    _, batches = sampler_of(Source("slow", read), tick_s=0.01)
    got = [batches.get(timeout=PATIENCE_S) for _ in range(6)]
    late = [batch.late_ticks for batch in got]
    assert late[0] >= 3  # a read of 3.5 ticks misses three while it lasts
    assert all(later - earlier >= 3 for earlier, later in itertools.pairwise(late))
    assert len(got) + late[-1] <= (got[-1].at_s - begun_s) / 0.01 + 1  # read or missed: never more than there were


def test_a_fast_source_misses_nothing(sampler_of):
    _, batches = sampler_of(Source(), tick_s=0.2)
    got = [batches.get(timeout=PATIENCE_S) for _ in range(4)]
    assert [batch.late_ticks for batch in got] == [0, 0, 0, 0]
    assert got[3].at_s - got[0].at_s == pytest.approx(0.6, abs=0.19)


def test_batches_of_one_source_come_in_the_order_of_their_time(sampler_of):
    _, batches = sampler_of(Source("one"), Source("two"), tick_s=0.002)
    got = [batches.get(timeout=PATIENCE_S) for _ in range(60)]
    for name in ("one", "two"):
        times = [batch.at_s for batch in got if batch.source == name]
        assert len(times) > 5
        assert times == sorted(set(times))


def test_stopping_returns_at_once_though_a_source_hangs_and_nothing_is_said_afterwards(sampler_of, hang):
    sampler, batches = sampler_of(hang)
    assert hang.hanging.wait(PATIENCE_S)
    before_s = SystemClock().monotonic()
    sampler.stop()
    assert SystemClock().monotonic() - before_s < 0.5
    threads = [thread for thread in threading.enumerate() if thread.name == "sensors-hung"]
    assert all(thread.daemon for thread in threads)
    hang.released.set()
    for thread in threads:
        thread.join(PATIENCE_S)
        assert not thread.is_alive()
    assert batches.qsize() == 1  # the one from before it hung


def test_a_stopped_sampler_ends_its_threads_long_before_the_next_tick(sampler_of):
    sampler, batches = sampler_of(Source("calm"), tick_s=60.0)
    batches.get(timeout=PATIENCE_S)
    sampler.stop()
    for thread in threading.enumerate():
        if thread.name == "sensors-calm":
            thread.join(PATIENCE_S)
            assert not thread.is_alive()


def test_each_thread_prepares_itself_before_its_first_reading(sampler_of):
    prepared = []
    _, batches = sampler_of(
        Source("one"), Source("two"), on_thread_start=lambda: prepared.append(threading.current_thread().name)
    )
    seen = set()
    while seen != {"one", "two"}:
        seen.add(batches.get(timeout=PATIENCE_S).source)
        assert {f"sensors-{name}" for name in seen} <= set(prepared)
    assert sorted(prepared) == ["sensors-one", "sensors-two"]


def test_a_batch_carries_the_time_after_its_reading():
    clock = FakeClock(monotonic=50.0)
    sampler = ThreadedSampler([], tick_s=1.0, clock=clock)
    got = []

    def emit(batch):
        got.append(batch)
        sampler.stop()

    def read():
        clock.advance(0.25)
        return {"a": 1.0, "b": 2.0}, {}

    sampler._sample(Source("one", read), emit, origin_s=50.0)
    assert [(batch.at_s, batch.late_ticks) for batch in got] == [(50.25, 0)]


# Columns: what a source returns, what is believed, what is said. Every channel is one or the other.
@pytest.mark.parametrize(
    ("returned", "values", "gaps"),
    [
        (({"a": 1.5, "b": -2}, {}), {"a": 1.5, "b": -2.0}, {}),
        (({"a": float("nan"), "b": 2.0}, {}), {"b": 2.0}, {"a": "not a finite number"}),
        (({"a": float("inf"), "b": float("-inf")}, {}), {}, dict.fromkeys("ab", "not a finite number")),
        (({"a": None, "b": "45"}, {}), {}, dict.fromkeys("ab", "not a finite number")),
        (({"a": 10**400, "b": 0.0}, {}), {"b": 0.0}, {"a": "not a finite number"}),
        (({"a": 1.0}, {"b": "gone"}), {"a": 1.0}, {"b": "gone"}),
        (({"a": 1.0}, {}), {"a": 1.0}, {"b": "the source did not say"}),
        (({"a": 1.0}, {"a": "both", "b": "gone"}), {"a": 1.0}, {"b": "gone"}),
    ],
)
def test_a_reading_is_a_finite_number_or_a_gap(returned, values, gaps):
    assert read_safely(Source(read=lambda: returned)) == (values, gaps)


@pytest.mark.parametrize("returned", [None, 5, ({},), ([1.0], {}), ({"a": 1.0}, None)])
def test_a_source_that_returns_nonsense_has_failed(returned):
    values, gaps = read_safely(Source(read=lambda: returned))
    assert values == {}
    assert sorted(gaps) == ["a", "b"]
    assert all(reason.startswith("the source failed: ") for reason in gaps.values())
