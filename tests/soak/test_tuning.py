"""A machine of a core family that nobody knows: the order is searched for once, before the first run that needs it."""

import json
import os
import re
import signal
from pathlib import Path

import pytest
from bench_tree import need_namespaces
from daemon_bench import SERVE, SHORT, DaemonBench
from soak_bench import CORES, INTEGER, UNTOUCHED, VECTOR, command, living, rows, wait_until

from soakd.errors import WorkloadError
from soakd.service.throughput import measure
from soakd.service.tuning import NAME, KeptOrder
from soakd.workloads.classes import CLASSES, architecture
from soakd.workloads.integer import streams

pytestmark = [
    pytest.mark.soak,
    pytest.mark.skipif(architecture() != "x86-64", reason="not shown on this machine: an order is only for x86-64"),
]
NATURAL = "".join(sorted(streams.ORDER))


@pytest.fixture
def unknown(tmp_path):
    """Arguments that run a command where /proc/cpuinfo shows a maker that nobody knows."""
    need_namespaces()
    shown = tmp_path / "cpuinfo"
    shown.write_text(re.sub(r"(?m)^(vendor_id\s*: ).*$", r"\1HarbourChips", Path("/proc/cpuinfo").read_text()))
    enter = 'mount --bind "$1" /proc/cpuinfo && shift && exec "$@"'
    return ("unshare", "-rm", "--", "sh", "-c", enter, "bench", str(shown))


@pytest.fixture
def new(bench):
    """A state folder in which nothing has been kept yet."""
    (bench.home / NAME).unlink(missing_ok=True)
    return bench


def ran(done):
    """To its end and without a wrong result; how much of it the core was ours is no matter of these tests."""
    (stage,) = done.verdict["evidence"]["stages"]
    return stage["state"] == "complete" and all(not worker["totals"]["mismatches"] for worker in stage["workers"])


def searches(pids):
    return [pid for pid in pids if "soakd.crew.searching" in command(pid)]


def kept(home):
    return KeptOrder.model_validate_json((home / NAME).read_bytes())


def test_a_measurement_of_the_streams_searches_once_and_says_so(new, unknown):
    words = ("workloads", "measure", "integer/streams", "--rounds", "3", "--json")
    other = new.run("workloads", "measure", "integer/wide", "--rounds", "3", "--json", prefix=unknown)
    assert (other.code, other.err, (new.home / NAME).exists()) == (0, "", False)
    first, second = (new.run(*words, prefix=unknown) for _ in range(2))
    assert (first.code, second.code, second.err) == (0, 0, "")
    assert "it loads one core for about 3 s, without a guard" in first.err
    assert kept(new.home).core.startswith("HarbourChips ")
    assert kept(new.home).trials > 0
    assert json.loads(first.out)[0]["one"]["faults"] == 0


def test_a_measurement_builds_with_the_order_it_is_given():
    with pytest.raises(WorkloadError, match="order '0123' leaves operations out"):
        list(measure([("integer/streams", "scalar")], CORES, 3, "0123"))


def test_a_run_searches_before_its_guard_begins_and_builds_with_what_was_kept(new, unknown):
    done = new.run("run", new.plan(INTEGER), "--json", prefix=unknown)
    assert ran(done), done.err
    assert done.err.count("NOTE: nobody has tuned the integer kernels") == 1
    assert (new.home / NAME).exists(), done.err
    found = kept(new.home)
    ((record,),) = rows(new.home, "SELECT record FROM run")
    assert json.loads(record)["issue_order"] == found.order
    other = found.model_copy(update={"order": NATURAL})
    (new.home / NAME).write_text(other.model_dump_json())
    again = new.run("run", new.plan(INTEGER), "--json", prefix=unknown)
    assert ran(again), again.err
    assert "NOTE" not in again.err
    digests = [of.verdict["evidence"]["digests"]["integer/streams"] for of in (done, again)]
    built = [streams.build(CLASSES["scalar"], issue_order=order).digests for order in (found.order, NATURAL)]
    assert digests == [of["integer/streams"] for of in built]


def test_a_plan_without_the_streams_has_no_search(new, unknown):
    done = new.run("run", new.plan(VECTOR), "--json", prefix=unknown)
    assert "NOTE" not in done.err
    assert not (new.home / NAME).exists()


def test_a_search_that_is_interrupted_leaves_nothing_behind(new, unknown):
    started = new.start("workloads", "measure", "integer/streams", prefix=unknown)
    wait_until(lambda: searches(started.descendants()), "no search")
    (search,) = searches(started.descendants())
    os.kill(search, signal.SIGSTOP)
    started.process.send_signal(signal.SIGINT)
    assert started.finish().code == 130
    assert not living([search])
    assert not (new.home / NAME).exists()


def test_a_daemon_that_is_stopped_in_a_search_ends_at_once_and_leaves_nothing_behind(tmp_path, unknown):
    daemon = DaemonBench(tmp_path)
    (daemon.home / NAME).unlink(missing_ok=True)
    try:
        daemon.start(command=(*UNTOUCHED, *unknown, *SERVE)).ready()
        daemon.add(SHORT)
        wait_until(lambda: searches(daemon.everything()), "no search")
        (search,) = searches(daemon.everything())
        os.kill(search, signal.SIGSTOP)
        assert daemon.stop() == 0
        assert not living([search])
        assert not (daemon.home / NAME).exists()
        assert daemon.rows("SELECT run_id FROM run") == []
    finally:
        daemon.close()


def test_the_daemon_searches_before_the_first_entry_that_needs_it_and_answers_meanwhile(tmp_path, unknown):
    daemon = DaemonBench(tmp_path)
    (daemon.home / NAME).unlink(missing_ok=True)
    try:
        daemon.start(command=(*UNTOUCHED, *unknown, *SERVE)).ready()
        entry = daemon.add(SHORT)
        wait_until(lambda: searches(daemon.everything()), "no search")
        (search,) = searches(daemon.everything())
        os.kill(search, signal.SIGSTOP)
        again = daemon.add({**SHORT, "name": "Again"})
        assert [daemon.entry(each)["state"] for each in (entry, again)] == ["waiting", "waiting"]
        assert kept(daemon.home).order is None
        assert daemon.rows("SELECT run_id FROM run") == []
        os.kill(search, signal.SIGCONT)
        wait_until(lambda: len(daemon.outcomes()) == 2, "the queue did not empty", 60)
        assert "fail" not in {outcome for _, outcome in daemon.outcomes()}
        orders = {json.loads(record)["issue_order"] for (record,) in daemon.rows("SELECT record FROM run")}
        assert orders == {kept(daemon.home).order}
        assert (tmp_path / "serve.log").read_text().count("nobody has tuned the integer kernels") == 1
    finally:
        daemon.close()
