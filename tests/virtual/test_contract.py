"""One contract for the real parts and the virtual ones: what the engine is driven through behaves alike."""

from __future__ import annotations

import json
import os
import queue
from dataclasses import dataclass, field
from typing import Any

import pytest
from bench_tree import DESKTOP, make_hwmon
from virtual_parts import CPU, lantern, sheet

from soakd.clock import SystemClock
from soakd.crew.process import CrewProcess
from soakd.model.channels import Role
from soakd.model.crew import CrewLost, CrewPrepared, WorkerExited, WorkerReady
from soakd.model.plan import Stage
from soakd.sensors.hwmon import HwmonSource
from soakd.sensors.sampler import ThreadedSampler
from soakd.virtual.bench import Bench
from soakd.virtual.crew import VirtualCrew
from soakd.virtual.sensors import VirtualSource
from soakd.virtual.timeline import Timeline, VirtualInbox, VirtualSampler
from soakd.virtual.tree import SensorTree

CORES = sorted(os.sched_getaffinity(0))[:2]
TICK_S = 0.1
PATIENCE_S = 30.0


@dataclass
class World:
    """A crew, a sampler, and the clock and queue that both live by."""

    clock: Any
    inbox: Any
    crew: Any
    sampler: Any
    source: Any
    close: Any = field(default=lambda: None)

    def wait(self, kind):
        """The next message of this kind, whatever comes before it."""
        deadline_s = self.clock.monotonic() + PATIENCE_S
        while self.clock.monotonic() < deadline_s:
            try:
                message = self.inbox.get(timeout=0.05)
            except queue.Empty:
                continue
            if isinstance(message, kind):
                return message
        pytest.fail(f"no {kind.__name__} came")

    def pass_time(self, seconds):
        """Real time is waited for, virtual time moves."""
        self.clock.sleep(seconds)

    def begin(self, duration_s=1.5, **changes):
        stage = Stage(**{"name": "s", "workload": "integer/streams", "duration_s": duration_s, **changes})
        self.crew.prepare([("integer/streams", "scalar")], drill=False)
        self.wait(CrewPrepared)
        cores = self.crew.begin(stage, "scalar", CORES)
        self.ready = [self.wait(WorkerReady) for _ in cores]
        return cores


def real(tmp_path):
    clock, inbox = SystemClock(), queue.SimpleQueue()
    source = HwmonSource(make_hwmon(tmp_path / "hwmon", DESKTOP))
    crew = CrewProcess(len(CORES), inbox.put)
    return World(
        clock=clock,
        inbox=inbox,
        crew=crew,
        sampler=ThreadedSampler([source], tick_s=TICK_S, clock=clock),
        source=source,
        close=crew.close,
    )


def virtual(_):
    timeline, bench = Timeline(), Bench(lantern(), sheet())
    inbox, source = VirtualInbox(timeline), VirtualSource(bench, timeline)
    return World(
        clock=timeline,
        inbox=inbox,
        crew=VirtualCrew(bench, timeline, inbox.put, physical={core: place for place, core in enumerate(CORES)}),
        sampler=VirtualSampler([source], tick_s=TICK_S, timeline=timeline),
        source=source,
    )


@pytest.fixture(params=[real, virtual], ids=["real", "virtual"])
def world(request, tmp_path):
    made = request.param(tmp_path)
    yield made
    made.sampler.stop()
    made.close()


def test_workers_get_ready_each_with_a_process_of_its_own(world):
    assert world.begin() == tuple(CORES)
    assert sorted(ready.core for ready in world.ready) == CORES
    assert world.crew.pids == {ready.core: ready.pid for ready in world.ready}
    assert len({world.crew.pid, *world.crew.pids.values()}) == 1 + len(CORES)
    looks = world.crew.look()
    assert sorted(looks) == CORES
    assert {look.state for look in looks.values()} == {"ready"}
    assert {look.totals.rounds for look in looks.values()} == {0}


def test_before_a_stage_nobody_is_seen(world):
    assert world.crew.look() == {}
    assert world.crew.pids == {}


def test_at_work_they_beat_count_rounds_and_measure_their_clock(world):
    world.begin(duration_s=4.0)
    world.crew.go(4.0)
    world.pass_time(1.0)
    sooner = world.crew.look()
    world.pass_time(1.5)
    later = world.crew.look()
    for core in CORES:
        assert later[core].state == "working"
        assert later[core].beats != sooner[core].beats
        assert later[core].totals.rounds > sooner[core].totals.rounds
        assert later[core].totals.core == core
        assert later[core].clock_mhz > 500.0
        assert 0.0 < later[core].totals.checked_s <= 2.6
        assert later[core].totals.core_s <= later[core].totals.checked_s + 1e-9
        assert 0.0 < later[core].totals.until_s <= 2.6
        assert world.crew.process_state(core) in {"R", "S"}


def test_at_the_end_each_leaves_by_itself_with_its_load_checked(world):
    world.begin()
    world.crew.go(1.5)
    exits = [world.wait(WorkerExited) for _ in CORES]
    assert sorted((gone.core, gone.code) for gone in exits) == [(core, 0) for core in CORES]
    for core, look in world.crew.look().items():
        assert look.state == "done"
        assert look.totals.rounds >= 2
        assert look.totals.mismatches == 0
        assert look.totals.until_s <= 1.6
        assert world.crew.pids[core] == next(ready.pid for ready in world.ready if ready.core == core)


def test_a_walk_leaves_one_at_work_and_the_others_at_rest(world):
    if len(CORES) < 2:
        pytest.fail("this machine has one core; the contract needs two")
    world.begin(duration_s=6.0, pattern="walking", dwell_s=3.0)
    world.crew.go(6.0)
    world.pass_time(1.5)
    assert [world.crew.look()[core].state for core in CORES] == ["working", "resting"]
    world.pass_time(3.0)
    assert [world.crew.look()[core].state for core in CORES] == ["resting", "working"]


def test_a_killed_crew_is_gone_at_once_and_says_so(world):
    world.begin(duration_s=60.0)
    world.crew.go(60.0)
    world.pass_time(1.2)
    assert world.crew.kill() == 0
    assert isinstance(world.wait(CrewLost), CrewLost)
    assert {world.crew.process_state(core) for core in CORES} <= {None, "Z"}, "gone, or a zombie nobody looked at yet"
    assert sorted(world.crew.look()) == CORES, "what they had done is still known"


def test_a_source_has_a_value_or_a_reason_for_each_of_its_channels(world):
    names = [channel.name for channel in world.source.channels()]
    values, gaps = world.source.read()
    assert len(set(names)) == len(names)
    assert sorted([*values, *gaps]) == sorted(names)
    assert all(isinstance(value, float) for value in values.values())
    assert [channel.name for channel in world.source.channels()] == names


def test_a_sampler_reads_at_once_and_then_on_its_grid_until_it_is_stopped(world):
    begun_s = world.clock.monotonic()
    world.sampler.start(world.inbox.put)
    world.pass_time(5.5 * TICK_S)
    world.sampler.stop()
    batches = []
    while not world.inbox.empty():
        batches.append(world.inbox.get(timeout=0.0))
    world.pass_time(3 * TICK_S)
    assert world.inbox.empty(), "what is read after the stop goes nowhere"
    moments = [batch.at_s - begun_s for batch in batches]
    assert moments[0] < TICK_S
    assert 2 <= len(moments) <= 6
    assert moments == sorted(moments)
    for batch in batches:
        assert batch.source == world.source.name
        assert {*batch.values, *batch.gaps} == {channel.name for channel in world.source.channels()}


def virtual_tree(tmp_path, about, now_s=0.0):
    """The virtual bench read as real files by the real source, and directly: at the same moment."""
    bench, timeline = Bench(about, sheet()), Timeline()
    tree = SensorTree(tmp_path / "hwmon", bench)
    files, direct = HwmonSource(tmp_path / "hwmon"), VirtualSource(bench, timeline)
    direct.read()
    timeline.sleep(now_s)
    read = direct.read()
    tree.renew()
    return files, direct, read


def test_the_tree_of_files_has_the_same_channels_for_the_real_source(tmp_path):
    """But for one role: whose power it is, no file of this class says."""
    files, direct, _ = virtual_tree(tmp_path, lantern())
    known = {channel.name: (channel.role, channel.critical) for channel in direct.channels()}
    found = {channel.name: (channel.role, channel.critical) for channel in files.channels()}
    assert known.pop("hwmon/lantern/Package") == (Role.PACKAGE_POWER, None)
    assert found.pop("hwmon/lantern/Package") == (Role.POWER, None)
    assert found == known


@pytest.mark.parametrize("what", ["", "sensor-freezes", "sensor-lies", "sensor-vanishes", "sensor-absurd"])
def test_the_real_source_reads_from_the_files_what_the_virtual_one_says(tmp_path, what):
    fault = {"what": what, "at": "5 s", "channel": CPU, **({"off": "-7 K"} if what == "sensor-lies" else {})}
    files, _, (values, gaps) = virtual_tree(tmp_path, lantern(fault=[fault] if what else []), now_s=10.0)
    assert files.read() == (values, gaps)
    assert (CPU in gaps) == (what == "sensor-vanishes")
    assert (tmp_path / "hwmon" / "hwmon0" / "name").read_text() == "lantern\n"


def test_an_input_that_comes_back_is_read_again(tmp_path):
    fault = {"what": "sensor-vanishes", "at": "5 s", "until": "8 s", "channel": CPU}
    bench = Bench(lantern(fault=[fault]), sheet())
    tree = SensorTree(tmp_path / "hwmon", bench)
    source = HwmonSource(tmp_path / "hwmon")
    seen = []
    for now_s in (1.0, 6.0, 9.0):
        bench.advance(now_s)
        tree.renew()
        seen.append(CPU in source.read()[0])
    assert seen == [True, False, True]


def test_the_tree_keeps_to_the_kernel_s_units_and_numbering(tmp_path):
    """Documentation/hwmon/sysfs-interface.rst: m°C, mV, mA, µW, rpm; `in` from 0, everything else from 1."""
    SensorTree(tmp_path / "hwmon", Bench(lantern(), sheet()))
    files = {path.name: path.read_text().strip() for path in (tmp_path / "hwmon" / "hwmon0").iterdir()}
    assert 20_000 < int(files["temp1_input"]) < 40_000
    assert (files["temp1_label"], files["temp1_crit"], files["temp2_label"]) == ("CPU", "100000", "Coolant")
    assert 500 < int(files["in0_input"]) < 1500
    assert int(files["curr1_input"]) < 30_000
    assert 5_000_000 < int(files["power1_input"]) < 40_000_000
    assert 2350 < int(files["fan1_input"]) < 2450
    assert 650 < int(files["fan2_input"]) < 750
    assert json.dumps(sorted(files)).count("in0") == 2
