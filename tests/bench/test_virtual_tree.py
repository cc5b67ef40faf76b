"""The virtual tree itself: real programs see it, the test can change it, nothing of it is left behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import bench_tree
from bench_tree import bench_command, bench_python, need_namespaces, on_bench, put

PSUTIL = "import json, psutil; print(json.dumps(psutil.sensors_temperatures()))"


def test_this_machine_can_show_a_virtual_sensor_tree():
    need_namespaces()
    assert bench_tree.namespaces_work() is None


def test_a_machine_without_the_tools_says_which_one_it_lacks(monkeypatch, tmp_path):
    monkeypatch.setenv("PATH", str(tmp_path))
    assert bench_tree.namespaces_work.__wrapped__() == "there is no unshare command"


def test_a_machine_that_refuses_the_namespace_says_why(monkeypatch, tmp_path):
    refusing = tmp_path / "unshare"
    refusing.write_text("#!/bin/sh\necho 'unshare: Operation not permitted' >&2\nexit 1\n")
    refusing.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}:{os.environ['PATH']}")
    assert bench_tree.namespaces_work.__wrapped__() == "unshare: Operation not permitted"


def test_psutil_reads_the_tree_for_real(tree):
    assert '["Tctl", 45.0, null, null]' in bench_python(tree, PSUTIL)


def test_the_tree_is_seen_by_its_program_only(tree):
    before = sorted(Path("/sys/class").iterdir())
    assert "k10temp" in bench_python(tree, PSUTIL)
    assert sorted(Path("/sys/class").iterdir()) == before


def test_a_change_from_outside_is_seen_by_the_running_program(tree):
    watch = "for _ in 1 2; do cat /sys/class/hwmon/hwmon0/temp1_input; read go; done"
    with on_bench(tree, ["sh", "-c", watch], stdin=subprocess.PIPE) as program:
        assert program.stdout.readline() == "45000\n"
        put(tree / "hwmon0" / "temp1_input", 91000)
        program.stdin.write("go\n")
        program.stdin.flush()
        assert program.stdout.readline() == "91000\n"


def test_exit_code_process_id_and_signals_are_the_programs_own(tree):
    done = subprocess.run(bench_command(tree, ["sh", "-c", "exit 10"]), check=False)
    assert done.returncode == 10
    sleeper = "import os, time; print(os.getpid(), flush=True); time.sleep(60)"
    with on_bench(tree, [sys.executable, "-c", sleeper]) as it:
        assert int(it.stdout.readline()) == it.pid
        it.send_signal(signal.SIGTERM)
        assert it.wait(timeout=30) == -signal.SIGTERM


def test_nothing_of_the_program_survives_the_test(tree):
    with on_bench(tree, ["sh", "-c", "sleep 60 & echo $!; wait"]) as program:
        child = int(program.stdout.readline())
        assert Path(f"/proc/{child}").exists()
    deadline_s = time.monotonic() + 30.0
    while Path(f"/proc/{child}").exists() and time.monotonic() < deadline_s:
        time.sleep(0.01)
    assert not Path(f"/proc/{child}").exists()
