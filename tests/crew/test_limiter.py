"""The limiter on its own: a real process, a crew of idle ones, a sensor in a folder; the test is the guard."""

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from bench_tree import put
from soak_bench import living, wait_until

from soakd.crew import limiter
from soakd.crew.lifeline import PROGRAM, TALE_BYTES, Lifeline, told
from soakd.crew.priority import FIFO_PRIORITY

RUN = "0123456789ab"
CREW = """
import os, time
for _ in range(3):
    if os.fork() == 0:
        break
os.write(1, b"%d\\n" % os.getpid())
time.sleep(300)
"""
ABOVE_C = 93.0
HOLD_S = 2.0
DARK_S = 3.0


class Scene:
    """Everything that a limiter has around it."""

    def __init__(self, folder):
        self.input = folder / "temp1_input"
        put(self.input, 45000)
        self.shared = Lifeline.create()
        watched_end, self.held_end = os.pipe()
        self.tale = folder / "tale"
        self.tale.write_bytes(b" " * TALE_BYTES)
        self.beating = threading.Event()
        self.beating.set()
        self.over = False
        with self.tale.open("r+b") as tale:
            handed = (watched_end, self.shared.descriptor, tale.fileno())
            self.limiter = subprocess.Popen(
                [
                    sys.executable, "-I", "-S", str(PROGRAM), *map(str, handed), RUN, str(round(DARK_S * 1000)),
                    "0", str(self.input), str(round(ABOVE_C * 1000)), str(round(HOLD_S * 1000)),
                ],
                pass_fds=handed,
            )  # fmt: skip
        os.close(watched_end)
        self.crew = None
        self.members = []
        self.heart = threading.Thread(target=self._beat)
        self.heart.start()
        wait_until(self.shared.limiter_beats, "the limiter never watched", 10)

    def hire(self):
        """A crew of one parent and three children in a session of its own; the limiter is told of it."""
        self.crew = subprocess.Popen([sys.executable, "-c", CREW], stdout=subprocess.PIPE, start_new_session=True)
        self.members = [int(self.crew.stdout.readline()) for _ in range(4)]
        self.shared.crew(self.crew.pid)
        beats = self.shared.limiter_beats()
        wait_until(lambda: self.shared.limiter_beats() > beats + 1, "the limiter did not turn", 10)
        return self

    def ends(self, within_s=10.0):
        """Its exit code, and what it told in shared memory and on the drive, which agree."""
        code = self.limiter.wait(within_s)
        act = self.shared.act()
        assert told(self.tale.read_text(), RUN, 1) == act
        return code, act

    def close(self):
        self.over = True
        self.heart.join()
        if self.held_end is not None:
            os.close(self.held_end)
        for pid in living(self.members):
            os.kill(pid, signal.SIGKILL)
        if self.crew:
            self.crew.stdout.close()
            self.crew.wait(10)
        self.limiter.kill()
        self.limiter.wait(10)
        self.shared.close()

    def _beat(self):
        while not self.over:
            if self.beating.is_set():
                self.shared.beat()
            time.sleep(0.02)


@pytest.fixture
def scene(tmp_path):
    made = Scene(tmp_path)
    yield made
    made.close()


def test_it_leaves_a_crew_alone_whose_guard_turns_and_whose_processor_is_cool(scene):
    scene.hire()
    put(scene.input, round(ABOVE_C * 1000))
    time.sleep(limiter.PATIENCE_S + 1.5)
    assert scene.limiter.poll() is None
    assert len(living(scene.members)) == 4
    assert scene.shared.act() is None


def test_a_guard_that_stands_still_costs_it_the_crew(scene):
    scene.hire()
    scene.beating.clear()
    began_s = time.monotonic()
    wait_until(lambda: not living(scene.members[1:]), "the crew lived on", 10)
    assert time.monotonic() - began_s < 3.0
    code, act = scene.ends()
    assert (code, act.cause, act.survivors) == (0, "guard-still", 0)
    assert 2.0 <= act.held_s <= 2.6
    assert act.gone_s < 1.0


def test_without_a_crew_a_guard_may_stand_still(scene):
    scene.beating.clear()
    time.sleep(limiter.PATIENCE_S + 1.0)
    assert scene.limiter.poll() is None


def test_heat_above_its_own_setting_for_longer_than_its_hold_ends_the_load(scene):
    scene.hire()
    put(scene.input, 96500)
    code, act = scene.ends()
    assert (code, act.cause, act.channel, act.reading_c) == (0, "too-hot", 0, 96.5)
    assert HOLD_S < act.held_s <= HOLD_S + 0.6
    assert not living(scene.members)


def test_heat_that_does_not_last_as_long_ends_nothing(scene):
    """Five pulses of about a quarter of the hold each: more than the hold together."""
    scene.hire()
    for _ in range(5):
        put(scene.input, 96500)
        time.sleep(HOLD_S / 4)
        put(scene.input, 80000)
        beats = scene.shared.limiter_beats()
        wait_until(lambda beats=beats: scene.shared.limiter_beats() > beats + 1, "the limiter did not turn", 10)
    assert scene.shared.act() is None


def gone(scene):
    scene.input.unlink()


def nonsense(scene):
    put(scene.input, "hot")


def absurd(scene):
    put(scene.input, 255_000)


def faulty(scene):
    """`_fault` of the hwmon class: the measurement should not be trusted."""
    put(scene.input.with_name("temp1_fault"), 1)


@pytest.mark.parametrize("lose", [gone, nonsense, absurd, faulty])
def test_a_sensor_that_stays_dark_ends_the_load(scene, lose):
    scene.hire()
    lose(scene)
    code, act = scene.ends()
    assert (code, act.cause, act.channel) == (0, "dark", 0)
    assert DARK_S < act.held_s <= DARK_S + 0.6
    assert not living(scene.members)


def test_a_sensor_that_comes_back_in_time_ends_nothing(scene):
    scene.hire()
    for _ in range(2):
        gone(scene)
        time.sleep(DARK_S / 2)
        put(scene.input, 45000)
        beats = scene.shared.limiter_beats()
        wait_until(lambda beats=beats: scene.shared.limiter_beats() > beats + 1, "the limiter did not turn", 10)
    assert scene.shared.act() is None


def test_a_stopped_crew_is_killed_all_the_same(scene):
    scene.hire()
    for pid in scene.members:
        os.kill(pid, signal.SIGSTOP)
    scene.beating.clear()
    assert scene.ends()[0] == 0
    assert not living(scene.members)


def test_the_end_of_the_guard_is_the_end_of_the_crew_and_of_the_limiter(scene):
    """Nothing is told of it: how the guard ended is the service's to say."""
    scene.hire()
    os.close(scene.held_end)
    scene.held_end = None
    assert scene.limiter.wait(5) == 0
    assert not living(scene.members)
    assert scene.tale.read_text().strip() == ""


def test_a_crew_that_the_guard_has_ended_needs_no_guard_any_more(scene):
    """A guard writes its last words after the load is gone; no limiter hurries it."""
    scene.hire()
    os.killpg(scene.crew.pid, signal.SIGKILL)
    scene.crew.wait(10)
    scene.beating.clear()
    time.sleep(limiter.PATIENCE_S + 1.0)
    assert scene.limiter.poll() is None
    assert scene.shared.act() is None


def test_a_crew_whose_parent_died_is_not_left_behind(scene):
    scene.hire()
    scene.crew.kill()
    scene.crew.wait(10)
    wait_until(lambda: not living(scene.members), "workers outlived their parent", 5)
    assert scene.shared.act() is None


def test_a_pause_of_its_own_is_not_blamed_on_the_guard(scene):
    """As when the host halts the whole machine: both stood still, and the guard's next turn comes first or second."""
    scene.hire()
    scene.beating.clear()
    os.kill(scene.limiter.pid, signal.SIGSTOP)
    time.sleep(limiter.PATIENCE_S + 1.5)
    os.kill(scene.limiter.pid, signal.SIGCONT)
    scene.beating.set()
    time.sleep(1.0)
    assert scene.shared.act() is None
    assert len(living(scene.members)) == 4


def test_it_can_be_asked_nothing(scene):
    scene.hire()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGTSTP):
        scene.limiter.send_signal(number)
    beats = scene.shared.limiter_beats()
    wait_until(lambda: scene.shared.limiter_beats() > beats + 2, "a signal held it up", 10)


def test_it_is_tiny_and_before_everybody_else_where_that_is_permitted(scene):
    assert limiter.PRIORITY > FIFO_PRIORITY
    status = Path(f"/proc/{scene.limiter.pid}/status").read_text()
    fields = dict(line.split(":", 1) for line in status.splitlines())
    own_mib = sum(
        int(line.split()[1])
        for line in Path(f"/proc/{scene.limiter.pid}/smaps_rollup").read_text().splitlines()
        if line.startswith("Private_")
    ) / 1024  # fmt: skip
    assert own_mib < 8
    standing = scene.shared.standing()
    is_fifo = os.sched_getscheduler(scene.limiter.pid) & ~os.SCHED_RESET_ON_FORK == os.SCHED_FIFO
    assert is_fifo == (f"SCHED_FIFO {limiter.PRIORITY}" in standing)
    assert (int(fields["VmLck"].split()[0]) > 0) == (", locked in memory" in standing)
    assert int(fields["Threads"]) == 1


def test_it_loads_nothing_of_ours():
    script = f"import runpy, sys; runpy.run_path({str(PROGRAM)!r}); print(sorted(sys.modules))"
    done = subprocess.run([sys.executable, "-I", "-S", "-c", script], capture_output=True, text=True, check=True)
    assert "soakd" not in done.stdout
    assert "json" not in done.stdout


@pytest.mark.parametrize(
    "tale",
    ["", "\n", "0123456789ab", "another0run0 1 0 0 2000 900 0", f"{RUN} 1 0 0 2000 900", f"{RUN} 9 0 0 2000 900 0",
     f"{RUN} 2 5 96500 1100 900 0", f"{RUN} 2 0 -1 1100 900 0", f"{RUN} 1 0 0 x 900 0"],
)  # fmt: skip
def test_a_tale_that_is_another_s_or_torn_says_nothing(tale):
    assert told(tale, RUN, 1) is None
