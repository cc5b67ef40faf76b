"""Permuted visits renew every line of a share once in a sweep, and report each wrong word with its place."""

from __future__ import annotations

import random
import re

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from soakd.errors import WorkloadError
from soakd.workloads.base import Flip
from soakd.workloads.classes import CLASSES, available
from soakd.workloads.memory import permuted, pieces, sweep
from soakd.workloads.memory.march import Background
from soakd.workloads.memory.order import Order, Region
from soakd.workloads.memory.places import Places
from soakd.workloads.memory.share import Share

SWEPT = ("vector-128", "vector-128-fma", "vector-256-fma", "vector-512")
HERE = [name for name in available() if name in SWEPT]
SIZE = 5 * permuted.CHUNK_BYTES
LINES = SIZE // 64


def no_beat() -> None:
    """These tests watch no heartbeat."""


@pytest.fixture(scope="module", params=HERE)
def program(request):
    return permuted.build(CLASSES[request.param])


@pytest.fixture
def task(program):
    return program.task(memory_bytes=SIZE + 1000, beat=no_beat)


def contents(task):
    return np.frombuffer(task.share.bytes, dtype=np.uint64)


def pattern(background):
    """The background by numpy's own modular arithmetic."""
    return np.arange(SIZE // 8, dtype=np.uint64) * np.uint64(background.factor) ^ np.uint64(background.mask)


def sweep_once(task, rng=None):
    """The Stretches of one sweep, in stretches of random length."""
    stretches = []
    while not any(done.sweeps for done in stretches):
        stretches.append(task.walk.advance(rng.randint(1, 700) if rng else 10**9))
    return stretches


def test_each_sweep_visits_every_line_once_and_leaves_a_fresh_background(task):
    rng = random.Random(1)
    for _ in range(4):
        old, new = task.walk.background, task.walk.next_background
        assert np.array_equal(contents(task), pattern(old))
        stretches = sweep_once(task, rng)
        assert sum(done.steps for done in stretches) == LINES
        assert sum(done.bytes_moved for done in stretches) == 2 * SIZE
        assert not any(done.wrong for done in stretches)
        assert np.array_equal(contents(task), pattern(new))
        assert task.walk.background == new


def test_lines_are_visited_in_the_orders_order(task):
    order = task.walk.order
    for step in range(300):
        before = contents(task).copy()
        task.walk.advance(1)
        changed = np.unique(np.flatnonzero(contents(task) != before) // 8)
        assert changed.tolist() == [order.line(step)]


numbers = st.integers(0, (1 << 64) - 1)
backgrounds = st.builds(Background, factor=numbers.map(lambda word: word | 1), mask=numbers)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(old=backgrounds, new=backgrounds, numbers=st.tuples(*[st.integers(0, 1023)] * 4))
def test_any_stretch_of_any_order_leaves_what_plain_stepping_says(program, old, new, numbers):
    multiplier, increment, step, count = numbers[0] & ~3 | 1, numbers[1] | 1, numbers[2] % 256, numbers[3] % 256 + 1
    region = Region(first=100, bits=8)
    memory = Share(1 << 16, no_beat)
    contents = np.frombuffer(memory.bytes, dtype=np.uint64)
    contents[:] = [old.word(i) for i in range(contents.size)]
    places = Places(memory.address, memory.size_bytes, flushed=True)
    visitor = permuted.LineVisitor(program._compiled.kernels, memory.address, places)
    order = Order(region=region, multiplier=multiplier & 255, increment=increment & 255)
    count = min(count, 256 - step)
    x, visited = 0, set()
    for at in range(step + count):
        visited |= {100 + (x ^ x >> 4)} if at >= step else set()
        x = (multiplier * x + increment) % 256
    assert visitor.run(order, step, count, old, new) == (0, [])
    right = [(new if i // 8 in visited else old).word(i) for i in range(contents.size)]
    assert contents.tolist() == right
    assert len(visited) == count


def test_every_one_of_thousands_of_single_bit_flips_is_found_alone_and_exactly(task):
    """In any line, visited at any moment of the sweep."""
    rng, found = random.Random(2), 0
    while found < 2000:
        task.walk.advance(rng.randint(1, 100))
        order, step = task.walk.order, task.walk._step
        ahead = rng.randrange(order.region.lines - step)
        bit = order.line(step + ahead) * 512 + rng.randrange(512)
        contents(task)[bit // 64] ^= np.uint64(1 << bit % 64)
        done = task.walk.advance(ahead + 1)
        (fault,) = done.faults
        place = int(re.match(r"byte (0x[0-9a-f]+) of ", fault.where)[1], 16)
        assert (done.wrong, place, fault.flipped) == (1, bit // 64 * 8, 1 << bit % 64)
        assert "re-reads: 3 wrong" in fault.where
        found += 1


def test_a_core_that_loses_its_place_in_the_order_is_found():
    target = CLASSES[HERE[-1]]
    text = permuted.PermutedDesign(target).text()
    spoilt = text.replace("%x.a = add i64 %x.m, %increment.word", "%x.a = add i64 %x.m, 3")
    assert spoilt != text
    task = permuted.build(target, text=spoilt).task(memory_bytes=SIZE, beat=no_beat)
    done = task.walk.advance(1)
    assert any(fault.where == "place reached in the order of lines" for fault in done.faults)
    assert done.wrong >= 1


def test_rounds_count_bytes_both_ways_and_find_the_drills_bit(program):
    task = program.task(memory_bytes=SIZE, beat=no_beat)
    done = task.round(0.02, no_beat)
    assert (done.fault_count, done.faults) == (0, ())
    assert done.operations % 128 == 0
    assert done.sweeps == done.operations // 128 // LINES
    for bit in (0, 77, 10**9 + 7):
        drilled = task.round(0.02, no_beat, Flip(bit=bit))
        assert [fault.flipped for fault in drilled.faults] == [1 << bit % 64]
    assert task.round(0.02, no_beat).fault_count == 0


SPOILT = {
    "fold": ("%line = xor i64 %x, %line.high", "%line = or i64 %x, %line.high"),
    "order": ("%x.m = mul i64 %x, %multiplier.word", "%x.m = add i64 %x, %multiplier.word"),
    "blind": ("icmp ne i{bits} %any, 0", "icmp ne i{bits} %any, %any"),
    "read": ("%read.q = add", "%read.q = sub"),
    "write": ("%write.q = add", "%write.q = sub"),
    "store": ("%y0 = xor", "%y0 = or"),
}
"""One wrong instruction each."""


@pytest.mark.parametrize("name", HERE)
@pytest.mark.parametrize("what", sorted(SPOILT))
def test_selfcheck_refuses_a_kernel_with_one_wrong_instruction(name, what):
    target = CLASSES[name]
    old, new = (part.format(bits=target.register_bits) for part in SPOILT[what])
    text = permuted._Permuted(target).text()
    assert old in text
    module = "\n".join((text.replace(old, new), sweep.functions(target)[sweep.FILL], pieces.COMMON))
    with pytest.raises(WorkloadError, match=r"kernel 'soakd_permuted' of memory/permuted .* is wrong"):
        permuted.build(target, text=module).selfcheck()


def test_selfcheck_accepts_the_right_kernel(program):
    assert program.selfcheck() is None
