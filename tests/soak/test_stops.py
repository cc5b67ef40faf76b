"""A stop gets through, whatever the terminal, the drive or the guard is doing, and a verdict comes of it."""

import fcntl
import os
import signal
import subprocess
import sys
import time

import pytest
from soak_bench import INTEGER, LONG_INTEGER, UNTOUCHED, Started, command, living, wait_until

pytestmark = pytest.mark.soak


def full_pipe():
    """A terminal that takes nothing more: a pipe with no room, which nobody reads."""
    read_end, write_end = os.pipe()
    fcntl.fcntl(write_end, fcntl.F_SETPIPE_SZ, 4096)
    os.set_blocking(write_end, False)
    try:
        while True:
            os.write(write_end, b"x" * 4096)
    except BlockingIOError:
        os.set_blocking(write_end, True)
    return read_end, write_end


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTSTP, signal.SIGTERM, signal.SIGHUP])
def test_a_stop_ends_the_load_behind_a_terminal_that_takes_nothing(bench, number):
    read_end, write_end = full_pipe()
    process = subprocess.Popen(
        [*UNTOUCHED, sys.executable, "-m", "soakd.cli.main", "run", str(bench.plan(LONG_INTEGER)), "--json"],
        env={**os.environ, "SOAKD_HOME": str(bench.home)},
        stdout=subprocess.PIPE, stderr=write_end, text=True, start_new_session=True,
    )  # fmt: skip
    started = Started(process, bench.home)
    bench.started.append(started)
    started.wait_for_load()
    workers = started.workers()
    process.send_signal(number)
    wait_until(lambda: not living(workers), "the load outlived the stop", 2)
    done = started.finish()
    os.close(read_end)
    os.close(write_end)
    assert done.code == 10
    assert done.rules[0] == "stopped-by-hand"
    assert number.name in done.verdict["reasons"][0]["text"]
    (stage,) = done.verdict["evidence"]["stages"]
    assert stage["state"] == "stopped"
    assert stage["rounds"] > 0


@pytest.mark.parametrize("pause_s", [0.0, 0.01, 0.03, 0.1])
def test_a_second_ctrl_c_loses_no_verdict(bench, pause_s):
    started = bench.start("run", bench.plan(LONG_INTEGER), "--json")
    started.wait_for_load()
    started.process.send_signal(signal.SIGINT)
    time.sleep(pause_s)
    started.process.send_signal(signal.SIGINT)
    done = started.finish()
    assert done.code == 10
    assert done.verdict["outcome"] == "inconclusive"


def test_a_second_ctrl_c_does_not_wait_for_a_guard_that_hangs(bench):
    started = bench.start("run", bench.plan(LONG_INTEGER), "--json")
    started.wait_for_load()
    (guard,) = [pid for pid in started.descendants() if "engine_process" in command(pid)]
    os.kill(guard, signal.SIGSTOP)
    for _ in range(2):
        started.process.send_signal(signal.SIGINT)
        time.sleep(0.2)
    done = started.finish(10)
    assert done.code == 10
    assert done.rules[0] == "guard-died"


def test_nohup_keeps_its_meaning(bench):
    started = bench.start("run", bench.plan(INTEGER), "--json", prefix=["nohup"])
    started.wait_for_load()
    started.process.send_signal(signal.SIGHUP)
    done = started.finish()
    assert (done.code, done.verdict["outcome"]) == (0, "pass")


@pytest.mark.parametrize("arguments", [["--json"], []])
def test_output_that_nobody_takes_changes_no_exit_code(bench, arguments):
    started = bench.start("run", bench.plan(INTEGER), *arguments)
    started.process.stdout.close()
    started.process.stderr.close()
    assert started.process.wait(60) == 0


def test_output_that_cannot_carry_every_letter_changes_no_exit_code(bench):
    done = subprocess.run(
        [sys.executable, "-m", "soakd.cli.main", "run", str(bench.plan(INTEGER))],
        env={**os.environ, "SOAKD_HOME": str(bench.home), "PYTHONIOENCODING": "ascii"},
        capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "PASS" in done.stdout
