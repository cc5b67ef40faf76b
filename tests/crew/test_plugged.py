"""A plugin's workload in a real crew: proved before it counts, and whatever it does wrong names the plugin."""

import os
import queue
import time
from pathlib import Path

import pytest
from plugin_parts import folder_of, plug

from soakd.crew.process import CrewProcess
from soakd.model.crew import CrewPrepared, CrewRefused, WorkerExited, WorkerReady, WorkerWrong
from soakd.model.plan import Stage
from soakd.plugins.loading import digest

CORES = sorted(os.sched_getaffinity(0))
DEADLINE_S = 60.0
STAGE = Stage(name="s", workload="plugin/powers", duration=2.0)
EXAMPLE = Path(__file__).resolve().parents[2] / "plugins" / "example-workload"
CODE = """
import os, time
from soakd.api import *
CLEAN = Round(operations=1, work_s=0.1, check_s=0.0, fault_count=0, faults=())
WRONG = Round(operations=1, work_s=0.1, check_s=0.0, fault_count=1, faults=(Fault(where="x", expected=1, actual=0),))
class Work:
    loads = catches = misses = "nothing"
    classes = ("scalar",)
    digests = {{}}
    note = ""
    main = os.getpid()
    def build(self, target): {build}
    def selfcheck(self): {selfcheck}
    def gather(self, workers): {gather}
    def task(self, *, memory_bytes, beat, seat=0): {task}
    def round(self, target_s, beat, flip, gate):
        time.sleep(0.05)
        {round}
def workload(options):
    return Work()
"""
SOUND = {
    "build": "return self",
    "selfcheck": "pass",
    "gather": "self.worked = True",
    "task": "return self",
    "round": "return WRONG if flip else CLEAN",
}


class Hand:
    """Drives a crew as the engine does, with one plugin."""

    def __init__(self, source):
        self.events = queue.SimpleQueue()
        self.crew = CrewProcess(len(CORES), self.events.put, plugs=[plug(source, "workload", "powers")])

    def prepared(self):
        """The crew's answer to the order to build it."""
        self.crew.prepare([("plugin/powers", "scalar")], drill=False)
        return self.events.get(timeout=DEADLINE_S)

    def run(self, stage=STAGE, duration_s=0.5):
        """Up to everybody's exit; returns what else was said."""
        self.crew.begin(stage, "scalar", CORES)
        said, ready, gone = [], 0, 0
        deadline = time.monotonic() + DEADLINE_S
        while gone < len(CORES):
            match event := self.events.get(timeout=max(0.0, deadline - time.monotonic())):
                case WorkerReady():
                    ready += 1
                    if ready == len(CORES):
                        self.crew.go(duration_s)
                case WorkerExited():
                    gone += 1
                case _:
                    said.append(event)
                    if isinstance(event, CrewRefused):
                        return said
        return said


@pytest.fixture
def hand_of(tmp_path):
    """A crew whose plugin has these methods instead of the sound ones."""
    made = []

    def make(source=None, **methods):
        source = source or folder_of(tmp_path / "powers", CODE.format(**{**SOUND, **methods}))
        made.append(Hand(source))
        return made[-1]

    yield make
    for hand in made:
        hand.crew.close()


def test_the_example_is_proved_works_on_every_core_and_its_code_is_in_the_digests(hand_of):
    hand = hand_of(EXAMPLE)
    prepared = hand.prepared()
    assert isinstance(prepared, CrewPrepared), prepared
    assert prepared.digests == {"plugin/powers code": digest(EXAMPLE / "plugin.py")}
    assert hand.run(duration_s=1.0) == []
    for look in hand.crew.look().values():
        assert look.totals.rounds >= 1
        assert look.totals.operations > 1000
        assert look.totals.mismatches == 0


@pytest.mark.parametrize(
    "pattern", [{"pattern": "pulsed", "period": 0.05, "on": 50.0}, {"pattern": "walking", "dwell": 0.6}]
)
def test_a_plugin_s_workload_keeps_to_every_load_pattern(hand_of, pattern):
    hand = hand_of(EXAMPLE)
    assert isinstance(hand.prepared(), CrewPrepared)
    assert hand.run(Stage(name="s", workload="plugin/powers", duration=2.0, **pattern), duration_s=1.5) == []
    assert all(look.totals.mismatches == 0 for look in hand.crew.look().values())


REFUSED = {
    "finds nothing": ({"round": "return CLEAN"}, "plugin powers: it does not find a bit that was inverted on purpose"),
    "cannot be built": ({"build": "raise WorkloadError('no such device here')"}, "no such device here"),
    "raises": ({"build": "1 / 0"}, "plugin powers: ZeroDivisionError: division by zero"),
    "exits": ({"build": "raise SystemExit"}, "plugin powers: SystemExit"),
    "no program": ({"build": "return 7"}, "plugin powers: AttributeError: 'int' object has no attribute 'digests'"),
    "breaks in its check": ({"selfcheck": "open('/nowhere at all')"}, "plugin powers: FileNotFoundError"),
    "dies in its proof": ({"task": "os._exit(1) if os.getpid() != self.main else None"}, "plugin powers: "),
    "no device in its proof": (
        {"task": "raise WorkloadError('no accelerator')"},
        "plugin powers: it cannot be proved: workload plugin/powers",
    ),
    "no round": ({"round": "return 7"}, "plugin powers: a round is a soakd.api.Round, and not of type int"),
    "negative": (
        {"round": "return Round(operations=-1, work_s=0, check_s=0, fault_count=0, faults=())"},
        "plugin powers: a round's counts are whole numbers from 0 to 2^64 - 1",
    ),
    "faults that are none": (
        {"round": "return Round(operations=1, work_s=0, check_s=0, fault_count=1, faults=(7,))"},
        "plugin powers: a round's faults are soakd.api.Fault",
    ),
    "faults that are not shown": (
        {"round": "return Round(operations=1, work_s=0, check_s=0, fault_count=1, faults=())"},
        "plugin powers: a round with wrong results shows at least one of them",
    ),
}


@pytest.mark.parametrize("how", REFUSED)
def test_one_that_is_not_fit_to_check_is_refused_before_any_load_and_accuses_no_core(hand_of, how):
    methods, wanted = REFUSED[how]
    refused = hand_of(**methods).prepared()
    assert isinstance(refused, CrewRefused), refused
    assert wanted in refused.reason
    assert not refused.wrong


@pytest.mark.parametrize(
    "methods", [{"round": "return WRONG"}, {"selfcheck": "refuse_at_rest('powers', WRONG.faults)"}]
)
def test_one_that_computes_wrongly_at_rest_is_what_it_would_be_for_any_kernel(hand_of, methods):
    refused = hand_of(**methods).prepared()
    assert isinstance(refused, CrewRefused)
    assert refused.wrong
    assert "plugin/powers" in refused.reason
    assert "already fails at rest" in refused.reason


def test_a_wrong_result_under_load_is_told_with_its_core(hand_of):
    hand = hand_of(round="return WRONG if flip or hasattr(self, 'worked') else CLEAN")
    assert isinstance(hand.prepared(), CrewPrepared)
    said = hand.run()
    assert {event.core for event in said if isinstance(event, WorkerWrong)} == set(CORES)


def test_one_that_raises_under_load_names_the_plugin(hand_of):
    hand = hand_of(round="return 1 / 0 if hasattr(self, 'worked') else WRONG if flip else CLEAN")
    assert isinstance(hand.prepared(), CrewPrepared)
    (refused,) = (event for event in hand.run() if isinstance(event, CrewRefused))
    assert refused.reason.endswith("PluginError: plugin powers: ZeroDivisionError: division by zero")
