"""The hardware watchdog in real runs, on a fake device: no kernel here has one, so what a reset does is not shown."""

import json
import os
import signal
import sqlite3
from itertools import pairwise
from pathlib import Path

import pytest
from fake_watchdog import DEVICE, NO_COMPILER, FakeWatchdog, compiler_is_there
from soak_bench import INTEGER, LONG_INTEGER, command, living, rows, wait_until

pytestmark = [pytest.mark.soak, pytest.mark.thorough]


@pytest.fixture
def fake(bench):
    if not compiler_is_there():
        pytest.skip(NO_COMPILER)
    return FakeWatchdog(bench.folder)


def start(bench, fake, stage, *options):
    own = bench.folder / "soakd.toml"
    own.write_text(f'version = 1\n[guard]\nwatchdog = "{DEVICE}"\n')
    shim = ["env", *(f"{name}={value}" for name, value in fake.environment.items())]
    return bench.start("run", bench.plan(stage), "--config", own, "--json", *options, prefix=shim)


def guard_of(started):
    (guard,) = [pid for pid in started.descendants() if "engine_process" in command(pid)]
    return guard


def test_it_is_armed_pinged_by_the_guard_and_stopped_with_the_load(bench, fake):
    started = start(bench, fake, INTEGER)
    started.wait_for_load()
    guard = guard_of(started)
    done = started.finish()
    assert fake.done() == ["open", "timeout 30", "ping", "V", "close"]
    assert {pid for _, pid, _ in fake.lines()} == {guard}
    moments = [moment for moment, _ in fake.pings()]
    assert max(later - earlier for earlier, later in pairwise(moments)) < 10
    notes = [note["text"] for note in done.verdict["notes"] if note["rule"] == "watched"]
    assert "the hardware watchdog (Window bench timer) was armed: it resets the machine 30 s" in notes[1]
    assert "not shown here" in done.err, "whether it could be stopped again, nothing here says: CAUTION"


def test_pings_stop_with_the_guard_s_loop_and_the_service_takes_it_back_once_the_load_is_gone(bench, fake):
    started = start(bench, fake, LONG_INTEGER)
    started.wait_for_load()
    guard, workers = guard_of(started), started.workers()
    wait_until(fake.pings, "no ping", 10)
    os.kill(guard, signal.SIGSTOP)
    before = len(fake.pings())
    wait_until(lambda: not living(workers), "the load went on", 10)
    assert len(fake.pings()) == before
    assert started.finish().rules[0] == "limiter"
    assert fake.done() == ["open", "timeout 30", "ping", "open", "timeout 30", "V", "close"]
    assert [pid == started.process.pid for _, pid, _ in fake.lines()[-4:]] == [True] * 4


def test_a_killed_service_leaves_it_running(bench, fake):
    """Nobody is left who would know that the load is gone: the machine is reset, as it was asked for."""
    started = start(bench, fake, LONG_INTEGER)
    started.wait_for_load()
    everything = started.descendants()
    started.process.kill()
    started.finish()
    wait_until(lambda: not living(everything), "something survived", 10)
    assert "V" not in fake.done()


def test_a_watchdog_that_cannot_be_had_is_no_reason_to_soak_without_it(bench, tmp_path):
    """/dev/full without the fake: a device, but no watchdog."""
    own = tmp_path / "soakd.toml"
    own.write_text(f'version = 1\n[guard]\nwatchdog = "{DEVICE}"\n')
    done = bench.run("run", bench.plan(LONG_INTEGER), "--config", own, "--json")
    assert done.code == 10
    assert done.rules[0] == "not-started"
    assert f"{DEVICE} is no hardware watchdog" in done.verdict["reasons"][0]["text"]
    assert not any(stage["rounds"] for stage in done.verdict["evidence"]["stages"])


def test_one_that_is_not_there_is_refused_before_anything_starts(bench, tmp_path):
    own = tmp_path / "soakd.toml"
    own.write_text('version = 1\n[guard]\nwatchdog = "/dev/watchdog-of-nobody"\n')
    done = bench.run("run", bench.plan(LONG_INTEGER), "--config", own)
    assert done.code == 78
    assert "hardware watchdog /dev/watchdog-of-nobody: No such file" in done.err


@pytest.mark.parametrize(
    ("status", "words"),
    [("32", "it says that it reset the machine"), ("0", "it says that it did not"), (None, "it does not say")],
)
def test_after_a_reset_the_next_start_tells_of_the_watchdog(bench, fake, status, words):
    """The journal of a killed run, given the boot identifier of an earlier boot, is what a reset leaves behind."""
    started = start(bench, fake, LONG_INTEGER)
    started.wait_for_load()
    started.process.kill()
    started.finish()
    connection = sqlite3.connect(bench.home / "journal.db")
    with connection:
        connection.execute("""UPDATE run SET record = json_set(record, '$.boot_id', 'an earlier boot')""")
    connection.close()
    about = Path(DEVICE).stat().st_rdev
    tree = bench.folder / "class/watchdog/watchdog0"
    tree.mkdir(parents=True)
    (tree / "dev").write_text(f"{os.major(about)}:{os.minor(about)}\n")
    if status is not None:
        (tree / "bootstatus").write_text(f"{status}\n")
    enter = f'mount --bind {bench.folder}/class /sys/class && exec "$@"'
    again = bench.run("run", bench.plan(INTEGER), prefix=["unshare", "-rm", "sh", "-c", enter, "sh"])
    assert "judged now: fail: the machine went down" in again.err
    ((body,),) = rows(bench.home, "SELECT body FROM verdict ORDER BY rowid LIMIT 1")
    reason = json.loads(body)["reasons"][0]
    assert (reason["rule"], reason["weight"]) == ("machine-went-down", "fail")
    assert "the hardware watchdog (Window bench timer) was armed" in reason["text"]
    assert words in reason["text"]
