"""The real daemon with its real processes: it keeps the order, survives what is killed, and leaves no load behind."""

import os
import random
import signal
import socket
import sqlite3
import stat
import subprocess
import sys
import time

import pytest
from daemon_bench import LONG, SHORT, UnixConnection
from power_cut import NO_COMPILER, Drive, built_shim
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from soak_bench import living, wait_until

pytestmark = pytest.mark.soak
KILLS = 30
TWO_SECONDS = {"name": "s", "workload": "integer", "duration": "2 s"}


def test_five_runs_in_real_time_end_in_the_right_order_with_the_right_verdicts(daemon):
    daemon.start().ready()
    gate = daemon.add(LONG, priority=100)
    daemon.wait_for_load()
    for name, priority in (("third", 0), ("first", 9), ("fourth", 0), ("second", 5), ("fifth", -1)):
        daemon.add({**SHORT, "name": name, "stage": [TWO_SECONDS]}, priority=priority)
    code, answer = daemon.ask("POST", "/stop", {"reason": "let the others go"})
    assert (code, bool(answer["run_id"])) == (200, True)
    wait_until(lambda: len(daemon.outcomes()) == 6, "the queue did not empty", 60)
    assert daemon.outcomes() == [
        ("Long", "inconclusive"),
        ("first", "pass"), ("second", "pass"), ("third", "pass"), ("fourth", "pass"), ("fifth", "pass"),
    ]  # fmt: skip
    assert daemon.entry(gate)["state"] == "done"
    assert daemon.stop() == 0


def test_sigterm_stops_the_load_at_once_and_everything_is_on_record(daemon):
    daemon.start().ready()
    entry = daemon.add(LONG)
    daemon.wait_for_load()
    everything = daemon.everything()
    began = time.monotonic()
    assert daemon.stop() == 0
    assert time.monotonic() - began < 30, "the unit's stop timeout"
    assert not living(everything)
    ((outcome, reason),) = daemon.rows("SELECT outcome, reason FROM verdict")
    assert outcome == "inconclusive"
    assert "(SIGTERM)" in reason
    assert daemon.rows(f"SELECT state, runs_done FROM entry WHERE entry_id = '{entry}'") == [("done", 1)]


def test_an_api_that_dies_leaves_the_soak_running_and_comes_back(daemon):
    daemon.start().ready()
    daemon.add(LONG)
    daemon.wait_for_load()
    workers = daemon.workers()
    (api,) = daemon.role("soakd.service.web_process")
    os.kill(api, signal.SIGKILL)
    daemon.ready()
    assert daemon.role("soakd.service.web_process") != [api]
    assert daemon.workers() == workers
    assert daemon.status()["run"]["plan"] == "Long"


def test_an_api_that_hangs_delays_neither_the_soak_nor_the_next_start(daemon):
    daemon.start().ready()
    daemon.add(SHORT)
    daemon.add({**SHORT, "name": "second"})
    (api,) = daemon.role("soakd.service.web_process")
    os.kill(api, signal.SIGSTOP)
    try:
        wait_until(lambda: len(daemon.outcomes()) == 2, "the runs did not end", 60)
    finally:
        os.kill(api, signal.SIGCONT)
    assert [outcome for _, outcome in daemon.outcomes()] == ["pass", "pass"]


def test_a_guard_that_dies_leaves_the_api_answering_and_the_load_dead(daemon):
    daemon.start().ready()
    daemon.add(LONG)
    daemon.wait_for_load()
    workers = daemon.workers()
    (guard,) = daemon.role("soakd.service.engine_process")
    os.kill(guard, signal.SIGKILL)
    wait_until(lambda: not living(workers), "the load outlived its guard", 10)
    wait_until(lambda: daemon.outcomes() == [("Long", "inconclusive")], "no verdict", 30)
    assert daemon.status()["run"] is None
    assert "SIGKILL" in daemon.rows("SELECT reason FROM verdict")[0][0]


@pytest.mark.parametrize("chunk", [0, *(pytest.param(n, marks=pytest.mark.thorough) for n in (1, 2))])
def test_kill_9_of_anything_at_any_moment_loses_nothing_and_runs_nothing_twice(daemon, chunk):
    """More of them: tests/benchmarks/daemon_kills.py."""
    kills(daemon, KILLS // 3, random.Random(chunk))


def test_nor_does_a_power_cut(daemon, tmp_path):
    """Only what was synced is left of the journal, each time; the next daemon starts from that."""
    library = built_shim(tmp_path) or pytest.skip(NO_COMPILER)
    kills(daemon, 5, random.Random(4), Drive(daemon.home, tmp_path / "left", library))


def kills(daemon, count, dice, drive=None):
    added = []
    for _ in range(count):
        daemon.start(environment=drive and drive.power_on()).ready()
        added += [daemon.add({**SHORT, "name": f"run {len(added) + n}"}) for n in range(2)]
        time.sleep(dice.uniform(0.0, 2.5))
        victim = dice.choice(["daemon", "soakd.service.engine_process", "soakd.service.web_process"])
        for pid in daemon.role(victim):
            os.kill(pid, signal.SIGKILL)
        daemon.kill()
        if drive:
            drive.cut()
        assert daemon.whole()
    daemon.start().ready()
    wait_until(lambda: not open_entries(daemon), "the queue did not empty", 120)
    assert daemon.stop() == 0
    assert {entry for (entry,) in daemon.rows("SELECT entry_id FROM entry")} == set(added)
    assert daemon.rows("SELECT count(*) FROM run WHERE state <> 'finished'") == [(0,)]
    assert daemon.rows("SELECT entry_id FROM run GROUP BY entry_id HAVING count(*) <> 1") == []
    assert daemon.rows("SELECT count(*) FROM verdict") == [(len(added),)]


def open_entries(daemon):
    return daemon.rows("SELECT count(*) FROM entry WHERE state IN ('waiting', 'running')")[0][0]


def test_the_service_manager_is_told_what_goes_on(daemon, tmp_path):
    """sd_notify(3): datagrams to NOTIFY_SOCKET; sd_watchdog_enabled(3): pings within half of WATCHDOG_USEC."""
    address = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(address))
        manager.settimeout(30)
        daemon.start(environment={"NOTIFY_SOCKET": str(address), "WATCHDOG_USEC": "4000000"})
        hear(manager, "READY=1")
        daemon.add(LONG)  # whoever is told that it is ready is answered
        pings, last, longest, soaking = 0, time.monotonic(), 0.0, False
        while pings < 15 or not soaking:
            lines = manager.recv(4096).decode().splitlines()
            if "WATCHDOG=1" in lines:
                pings += 1
                longest = max(longest, time.monotonic() - last)
                last = time.monotonic()
            soaking = soaking or "STATUS=soaking: Long" in lines
        assert longest < 2.0
        daemon.process.send_signal(signal.SIGTERM)
        hear(manager, "STOPPING=1")
        assert daemon.process.wait(30) == 0


def test_an_api_that_cannot_start_does_not_keep_the_bench_from_soaking(daemon, tmp_path):
    address, refused = tmp_path / "notify", tmp_path / "soakd.toml"
    (tmp_path / "no-socket").write_text("a file stands where the socket should be")
    refused.write_text(f'version = 1\n[api]\nsocket = "{tmp_path}/no-socket"\n')
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(address))
        manager.settimeout(30)
        daemon.start("--config", refused, environment={"NOTIFY_SOCKET": str(address)})
        hear(manager, "READY=1")
        assert daemon.stop() == 0


def hear(manager, line):
    while line not in manager.recv(4096).decode().splitlines():
        pass


def test_the_daemon_can_be_measured_while_it_soaks(daemon):
    """Read back by prometheus_client's own OpenMetrics parser."""
    daemon.start().ready()
    daemon.add(LONG)
    daemon.wait_for_load()

    def gauges():
        connection = UnixConnection(daemon.home / "soakd.sock")
        connection.request("GET", "/metrics")
        answer = connection.getresponse()
        assert answer.getheader("content-type").startswith("application/openmetrics-text; version=1.0.0")
        families = text_string_to_metric_families(answer.read().decode())
        connection.close()
        return {sample.name: sample.value for family in families for sample in family.samples}

    wait_until(lambda: gauges().get("soakd_rounds_total", 0) > 2, "no rounds were measured", 30)
    assert gauges()["soakd_wrong_results_total"] == 0


def test_state_is_for_its_owner_alone(daemon):
    daemon.start().ready()
    assert stat.S_IMODE(daemon.home.stat().st_mode) == 0o700
    for path in daemon.home.iterdir():
        assert stat.S_IMODE(path.stat().st_mode) & 0o077 == 0, path.name


def test_two_daemons_do_not_share_a_bench(daemon):
    daemon.start().ready()
    second = subprocess.run(
        [sys.executable, "-m", "soakd.cli.main", "serve"],
        env={**os.environ, "SOAKD_HOME": str(daemon.home)}, capture_output=True, text=True, check=False, timeout=30,
    )  # fmt: skip
    assert second.returncode == 78
    assert "another run is using this bench" in second.stderr
    assert "Traceback" not in second.stderr


def test_a_machine_that_went_down_is_told_and_its_entry_is_not_run_again(daemon):
    """A run is cut off, and the journal is given an earlier boot's identifier: what a crash leaves behind."""
    daemon.start().ready()
    entry = daemon.add(LONG)
    daemon.wait_for_load()
    daemon.kill()
    connection = sqlite3.connect(daemon.home / "journal.db")
    with connection:
        connection.execute("UPDATE run SET record = json_set(record, '$.boot_id', 'an earlier boot')")
    connection.close()
    daemon.start().ready()
    assert daemon.outcomes() == [("Long", "fail")]
    assert daemon.entry(entry)["state"] == "done"
    assert daemon.status()["run"] is None
