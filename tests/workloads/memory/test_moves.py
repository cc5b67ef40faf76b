"""Blocks arrive where they should, unchanged; what goes wrong on the way is carried on to the check."""

from __future__ import annotations

import random
import re

import numpy as np
import pytest

from soakd.errors import WorkloadError
from soakd.workloads.base import Flip
from soakd.workloads.classes import CLASSES, available
from soakd.workloads.memory import moves, pieces, sweep

SWEPT = ("vector-128", "vector-128-fma", "vector-256-fma", "vector-512")
HERE = [name for name in available() if name in SWEPT]
BLOCK = 3
CHUNK_WORDS = moves.CHUNK_BYTES // 8
CHUNKS = 10
"""One pair of whole blocks (3 + 3) and one of shorter ones (2 + 2)."""
PAIRS = [(0, 3), (6, 2)]


def no_beat() -> None:
    """These tests watch no heartbeat."""


@pytest.fixture(scope="module", params=HERE)
def program(request):
    return moves.build(CLASSES[request.param])


@pytest.fixture
def task(program, monkeypatch):
    monkeypatch.setattr(moves, "BLOCK_BYTES", BLOCK * moves.CHUNK_BYTES)
    return program.task(memory_bytes=CHUNKS * moves.CHUNK_BYTES + 1000, beat=no_beat)


def chunks(task, first, size):
    return np.frombuffer(task.share.bytes, dtype=np.uint64)[first * CHUNK_WORDS : (first + size) * CHUNK_WORDS]


def pattern(background, first, size):
    """The background of those chunks' own addresses, by numpy's modular arithmetic."""
    places = np.arange(first * CHUNK_WORDS, (first + size) * CHUNK_WORDS, dtype=np.uint64)
    return places * np.uint64(background.factor) ^ np.uint64(background.mask)


def test_contents_move_to_and_fro_and_are_renewed_where_they_end(task):
    homes, turns = [0, 0], 0
    while turns < 4:
        for pair, (first, size) in enumerate(PAIRS):
            ground = task.walk.backgrounds[pair]
            home = homes[pair]
            origin = pattern(ground, first + home * size, size)
            for hop in range(moves.HOPS):
                assert task.walk.advance(10**6).steps == size
                side = (home + hop + 1) % 2
                assert np.array_equal(chunks(task, first + side * size, size), origin)
            done = task.walk.advance(10**6)
            assert (done.steps, done.wrong) == (size, 0)
            homes[pair] = (home + moves.HOPS) % 2
            assert task.walk.backgrounds[pair] != ground
            renewed = pattern(task.walk.backgrounds[pair], first + homes[pair] * size, size)
            assert np.array_equal(chunks(task, first + homes[pair] * size, size), renewed)
        assert done.sweeps == 1
        turns += 1
    assert homes == [0, 0]


def test_moves_go_up_and_down_by_turns_chunk_by_chunk(task):
    first, size = PAIRS[0]
    for hop in range(moves.HOPS):
        before, changed = chunks(task, first, 2 * size).copy(), []
        for _ in range(size):
            task.walk.advance(1)
            now = chunks(task, first, 2 * size)
            changed += (np.unique(np.flatnonzero(now != before) // CHUNK_WORDS) % size).tolist()
            before = now.copy()
        # From the second hop on, a copy overwrites its like: nothing changes.
        assert changed == (list(range(size)) if hop == 0 else [])
    assert moves.HOPS % 2


def test_a_descending_move_starts_at_the_end(program):
    """Seen by what a half-done move leaves."""
    mover_task = program.task(memory_bytes=4 * moves.CHUNK_BYTES, beat=no_beat)
    walk = mover_task.walk
    walk.advance(10**6)
    chunks(mover_task, 2, 2)[:] = np.arange(2 * CHUNK_WORDS, dtype=np.uint64)
    walk.advance(1)
    assert np.array_equal(chunks(mover_task, 1, 1), chunks(mover_task, 3, 1))
    assert not np.array_equal(chunks(mover_task, 0, 1), chunks(mover_task, 2, 1))


def to_the_check(walk):
    """Finish the pair that the walk is in; everything reported on the way."""
    faults, count, pair = [], 0, walk._pair
    while True:
        done = walk.advance(10**6)
        faults += done.faults
        count += done.wrong
        if walk._pair != pair:
            return count, faults


def test_every_one_of_thousands_of_single_bit_flips_is_carried_to_the_check(task):
    """In any live word, in any hop or while it waits for the check, at a random moment of the pass."""
    rng = random.Random(2)
    for _ in range(1500):
        walk = task.walk
        for _ in range(rng.randrange(moves.HOPS + 1)):
            walk.advance(10**6)
        begin, end = walk.stretch(10**6)
        word, bit = rng.randrange(begin, end), rng.randrange(64)
        np.frombuffer(task.share.bytes, dtype=np.uint64)[word] ^= np.uint64(1 << bit)
        count, (fault,) = to_the_check(walk)
        assert (count, fault.flipped) == (1, 1 << bit)
        found = int(re.match(r"byte (0x[0-9a-f]+) of ", fault.where)[1], 16) // 8
        first, size = next((f, s) for f, s in PAIRS if f <= word // CHUNK_WORDS < f + 2 * s)
        assert (found - word) % (size * CHUNK_WORDS) == 0
        assert first <= found // CHUNK_WORDS < first + 2 * size


def test_rounds_count_bytes_both_ways_and_find_the_drills_bit(program):
    size = 8 * moves.CHUNK_BYTES
    task = program.task(memory_bytes=size, beat=no_beat)
    done = task.round(0.02, no_beat)
    assert (done.fault_count, done.faults) == (0, ())
    assert done.operations % (2 * moves.CHUNK_BYTES) == 0
    assert done.sweeps == done.operations // (size * (moves.HOPS + 1))
    for bit in (0, 77, 10**9 + 7):
        drilled = task.round(0.02, no_beat, Flip(bit=bit))
        assert [fault.flipped for fault in drilled.faults] == [1 << bit % 64]
    assert task.round(0.02, no_beat).fault_count == 0


SPOILT = {
    "soakd_move_up": ("ptr %v2", "ptr %v1"),
    "soakd_move_down": ("store <{lanes} x i64> %d3, ptr %v3", "store <{lanes} x i64> %d1, ptr %v3"),
    "soakd_fill": ("%y2 = xor", "%y2 = or"),
    "soakd_renew": ("%y2 = xor", "%y2 = or"),
}
"""One wrong instruction in each kernel."""


@pytest.mark.parametrize("name", HERE)
@pytest.mark.parametrize("kernel", sorted(SPOILT))
def test_selfcheck_names_the_kernel_that_one_wrong_instruction_spoils(name, kernel):
    target = CLASSES[name]
    old, new = (part.format(lanes=target.register_bits // 64) for part in SPOILT[kernel])
    head, body = moves.MovesDesign(target).text().split(f"define void @{kernel}(")
    assert old in body
    with pytest.raises(WorkloadError, match=rf"kernel '{kernel}' of memory/moves .* is wrong"):
        moves.build(target, text=f"{head}define void @{kernel}({body.replace(old, new, 1)}").selfcheck()


def test_selfcheck_accepts_the_right_kernels(program):
    assert program.selfcheck() is None


def test_the_module_holds_the_moves_and_the_sweeps_it_needs():
    text = moves.MovesDesign(CLASSES[HERE[0]]).text()
    defined = re.findall(r"define void @(\w+)\(", text)
    assert tuple(defined) == (moves.MOVE_UP, moves.MOVE_DOWN, sweep.FILL, sweep.RENEW)
    assert text.endswith(pieces.COMMON)
