"""What the page of sensors knows: from the run while one is on, from the bench while none is."""

import json
import threading
import time
from array import array
from types import SimpleNamespace

import pytest

from soakd.clock import SystemClock, utc_text
from soakd.errors import StoreError
from soakd.model.channels import Channel, Role
from soakd.model.configuration import Configuration, Plugin
from soakd.model.journal import Tick
from soakd.model.limits import Limit
from soakd.model.plan import GuardRules, Plan, Stage
from soakd.model.run import ChannelInfo, RunRecord
from soakd.model.snapshot import Snapshot
from soakd.rules.gather import Gatherer
from soakd.rules.judge import judge
from soakd.service import api_link
from soakd.service.web_sensors import BenchSensors
from soakd.store.journal import Journal
from soakd.store.writer import Writer

NAMES = ("hwmon/octo/Core", "hwmon/octo/Water")
PLAN = Plan(
    version=1,
    name="Evening",
    guard=GuardRules(temperature="if-available"),
    limits=(Limit(of="coolant-temperature", above="40 °C"),),
    stages=(Stage(name="s", workload="integer", duration=7200.0),),
)
SNAPSHOT = Snapshot(
    machine="x", logical_cores=2, cores_allowed="0-1", memory_total_mib=1, swap_total_mib=0, kernel="k", boot_id="b"
)


class Source:
    """Two channels; the second can fall silent."""

    name = "octo"

    def __init__(self):
        self.values = {NAMES[0]: 61.0, NAMES[1]: 31.0}
        self.gaps = {}
        self.reads = 0

    def channels(self):
        return [
            Channel(name=NAMES[0], role=Role.CPU_TEMPERATURE, critical=100.0),
            Channel(name=NAMES[1], role=Role.OTHER_TEMPERATURE),
        ]

    def read(self):
        self.reads += 1
        return dict(self.values), dict(self.gaps)


@pytest.fixture
def journal(tmp_path):
    writer = Writer(tmp_path / "journal.db")
    yield SimpleNamespace(path=tmp_path / "journal.db", kept=Journal(writer))
    writer.close()


@pytest.fixture
def source():
    return Source()


def sensing_of(journal, source, roles=None, plugins=()):
    return BenchSensors(SystemClock(), journal.path, roles or {}, plugins, sources=[source], every_s=0.02, same_s=0.0)


def record(run_id, started_s, **changes):
    parts = {
        "run_id": run_id, "soakd_version": "0", "started_utc": utc_text(started_s), "boot_id": "b", "drill": False,
        "plan": PLAN, "sheet": None, "snapshot": SNAPSHOT, "fingerprint": "f" * 64,
        "classes": {"integer/streams widest": "scalar"}, "cores": (0,), "bounds": (), "cautions": (),
        "channels": (ChannelInfo(name=NAMES[0], role="cpu-temperature", unit="°C"),
                     ChannelInfo(name="probe/core 0", role="probed-clock", unit="MHz")),
    }  # fmt: skip
    return RunRecord(**(parts | changes))


def ticked(journal, run, values):
    """One tick a second from the run's start; a clock only where it is told."""
    for number, (temperature_c, clock_mhz) in enumerate(values):
        told = {NAMES[0]: temperature_c} | ({} if clock_mhz is None else {"probe/core 0": clock_mhz})
        tick = Tick(at_s=float(number), number=number, stage=0, late_s=0.0, values=told, gaps={}, workers=())
        journal.kept.add(run, tick)


def until(told):
    deadline = time.monotonic() + 60.0
    while not told():
        assert time.monotonic() < deadline
        time.sleep(0.01)


def by_name(now):
    return {channel.name: channel for channel in now.channels}


def test_while_no_run_is_on_the_bench_itself_is_read(source, journal):
    sensing = sensing_of(journal, source)
    sensing.begin(lambda: None)
    until(lambda: source.reads > 2)
    shown = by_name(sensing.look())
    assert shown[NAMES[0]].value == 61.0
    assert shown[NAMES[0]].minutes.high[-1] == 61.0
    source.values = {NAMES[0]: 61.5}
    source.gaps = {NAMES[1]: "the driver reports a fault of this sensor"}
    read = source.reads
    until(lambda: source.reads > read + 2)
    shown = by_name(sensing.look())
    assert (shown[NAMES[1]].value, shown[NAMES[1]].gap) == (None, "the driver reports a fault of this sensor")
    assert shown[NAMES[1]].minutes.high[-1] == 31.0, "what was read before stays in the hour"
    source.values = {NAMES[0]: 900.0, NAMES[1]: 31.0}
    until(lambda: (by_name(sensing.look())[NAMES[0]].gap or "").startswith("absurd"))


def test_roles_of_the_configuration_hold_and_limits_are_those_of_the_newest_plan(source, journal):
    sensing = sensing_of(journal, source, {NAMES[1]: Role.COOLANT_TEMPERATURE})
    assert "No plan has been run yet" in sensing.look().limits
    run = record("aaaa11112222", time.time() - 60.0)
    journal.kept.begin(run)
    evidence = Gatherer(run, {"integer": "ops"}).evidence(
        finished_utc=utc_text(time.time()), same_boot=True, suspended_s=0.0, snapshot_after=None
    )
    journal.kept.finish(judge(run, evidence))
    now = sensing.look()
    shown = by_name(now)
    assert shown[NAMES[1]].role == "coolant-temperature"
    assert [bound.text for bound in shown[NAMES[1]].bounds] == ["above 40 °C"]
    assert [bound.origin for bound in shown[NAMES[0]].bounds] == ["the sensor's critical 100 °C less 5 K"]
    assert "“Evening” (run aaaa11112222)" in now.limits


def test_a_role_that_a_channel_cannot_have_is_said_and_the_rest_shown(source, journal):
    sensing = sensing_of(journal, source, {NAMES[1]: Role.FAN, "plugin/loop/x": Role.PUMP}, ["loop"])
    now = sensing.look()
    assert by_name(now)[NAMES[1]].role == "other-temperature"
    assert any("cannot be fan" in caution for caution in now.cautions)
    assert any("plugins (loop) are read only while a run is on" in caution for caution in now.cautions)
    assert not any("plugin/loop/x" in caution for caution in now.cautions), "it is not known before a run"


def test_while_a_run_is_on_its_readings_are_shown_and_no_sensor_is_touched(source, journal):
    clock = SystemClock()
    sensing = sensing_of(journal, source)
    run = record("bbbb11112222", clock.wall() - 100.0)
    journal.kept.begin(run)
    ticked(journal, run, [(60.0 + (33.0 if n == 40 else 0.0), 4700.0 if n < 90 else None) for n in range(100)])
    sensing.begin(lambda: "bbbb11112222")
    shown = by_name(sensing.look())
    assert shown[NAMES[0]].value == 60.0
    assert max(value for value in shown[NAMES[0]].minutes.high if value is not None) == 93.0
    assert (shown["probe/core 0"].value, shown["probe/core 0"].gap) == (
        None, "for now: no worker measures it at this moment"
    )  # fmt: skip
    assert "run bbbb11112222, which is on" in sensing.look().origin
    assert source.reads == 0
    journal.kept.add(
        run, Tick(at_s=100.0, number=100, stage=0, late_s=0.0, values={NAMES[0]: 77.0}, gaps={}, workers=())
    )
    assert by_name(sensing.look())[NAMES[0]].value == 77.0


def test_a_run_that_has_ended_stays_in_the_hour(source, journal):
    clock, on = SystemClock(), ["cccc11112222"]
    sensing = sensing_of(journal, source)
    run = record("cccc11112222", clock.wall() - 50.0)
    journal.kept.begin(run)
    ticked(journal, run, [(60.0, None)] * 49)
    sensing._run = lambda: on[0]
    sensing.look()
    journal.kept.add(run, Tick(at_s=49.0, number=49, stage=0, late_s=0.0, values={NAMES[0]: 88.0}, gaps={}, workers=()))
    on[0] = None
    assert max(v for v in by_name(sensing.look())[NAMES[0]].minutes.high if v is not None) == 88.0


def test_a_page_that_is_opened_late_reads_the_last_hour_and_not_the_whole_night(source, journal):
    clock = SystemClock()
    run = record("dddd11112222", clock.wall() - 7000.0)
    journal.kept.begin(run)
    for number in (0, 100, 6900, 6990):
        tick = Tick(
            at_s=float(number), number=number, stage=0, late_s=0.0, values={NAMES[0]: 50.0}, gaps={}, workers=()
        )
        journal.kept.add(run, tick)
    sensing = sensing_of(journal, source)
    sensing._run = lambda: "dddd11112222"
    shown = by_name(sensing.look())[NAMES[0]]
    assert sum(value is not None for value in shown.minutes.high) == 2
    assert len(sensing._hour._minutes[NAMES[0]]) == 2, "what is older was not even read"


def test_a_source_that_no_longer_answers_is_no_reading(source, journal):
    hung, read = threading.Event(), source.read
    source.read = lambda: read() if source.reads < 2 else hung.wait(30.0) and ({}, {})
    sensing = sensing_of(journal, source)
    sensing.begin(lambda: None)
    until(lambda: "has not answered for" in (by_name(sensing.look())[NAMES[0]].gap or ""))
    hung.set()


def test_ticks_of_another_width_are_refused_and_not_misread(journal, source):
    clock = SystemClock()
    run = record("eeee11112222", clock.wall())
    journal.kept.begin(run)
    ticked(journal, run, [(60.0, None)])
    journal.kept._writer.write(
        [("insert_tick", (run.run_id, 1, 1.0, 0.0, 0, array("f", [1.0]).tobytes(), json.dumps({}), None))]
    )
    sensing = sensing_of(journal, source)
    sensing._run = lambda: "eeee11112222"
    with pytest.raises(StoreError, match="another number of channels"):
        sensing.look()


def test_the_api_is_told_roles_and_names_of_plugins_but_no_options():
    """They may hold a secret."""
    plugin = Plugin(name="loop", kind="sensors", source="/opt/soakd/loop", options={"key": "very secret"})
    given = Configuration(plugin=(plugin,), roles={NAMES[1]: Role.COOLANT_TEMPERATURE})
    told = given.model_dump_json(include=api_link._NO_SECRETS)
    assert "secret" not in told
    heard = Configuration.model_validate_json(told)
    assert heard.roles == given.roles
    assert [(each.name, each.kind) for each in heard.plugins] == [("loop", "sensors")]
