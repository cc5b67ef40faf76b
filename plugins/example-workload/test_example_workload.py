"""The example proves itself: its closed form holds, no wrong bit escapes, and it keeps to its time and its gate."""

import random
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import pytest

from soakd.api import Flip, WorkloadError
from soakd.workloads.base import OPEN

spec = spec_from_file_location("example_workload_plugin", Path(__file__).with_name("plugin.py"))
plugin = module_from_spec(spec)
spec.loader.exec_module(plugin)


def test_the_map_is_a_bijection_by_its_exponent():
    """x -> x^5 modulo a prime p has an inverse exponent exactly when 5 and p - 1 have no factor in common."""
    inverse = pow(5, -1, plugin.PRIME - 1)
    for seed in range(20):
        x = random.Random(seed).randrange(plugin.PRIME)
        assert pow(pow(x, 5, plugin.PRIME), inverse, plugin.PRIME) == x


def test_the_closed_form_is_what_the_steps_come_to():
    task = plugin.PowersTask()
    for steps in (0, 1, 2, 7, 100):
        start = task.state = random.Random(steps).randrange(plugin.PRIME)
        for _ in range(steps):
            start = pow(start, 5, plugin.PRIME)
        task.advance(steps)
        assert task.state == start


def test_a_round_is_clean_and_counts_what_it_did():
    done = plugin.workload({}).build(None).task(memory_bytes=0, beat=int).round(0.05, int, None, OPEN)
    assert (done.fault_count, done.faults) == (0, ())
    assert done.operations >= plugin.OPERATIONS


def test_every_one_of_a_thousand_inverted_bits_is_found():
    task = plugin.PowersTask()
    draw = random.Random(1)
    for _ in range(1000):
        done = task.round(0.001, int, Flip(bit=draw.randrange(10**6)), OPEN)
        assert done.fault_count >= 1
        assert len(done.faults) <= 8
        assert all(fault.flipped for fault in done.faults)


def test_the_check_at_rest_knows_its_answer(monkeypatch):
    program = plugin.PowersProgram()
    program.selfcheck()
    monkeypatch.setattr(plugin.PowersTask, "advance", lambda *_: 0)
    with pytest.raises(WorkloadError, match="computes wrongly"):
        program.selfcheck()
