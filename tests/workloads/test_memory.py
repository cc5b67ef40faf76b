"""The memory task marches as the sequence says, and names exactly the byte that is wrong."""

from __future__ import annotations

import ctypes
import errno
import random
import re

import numpy as np
import pytest

from soakd.errors import WorkloadError
from soakd.workloads import catalog, memory, share, sweep
from soakd.workloads.base import FAULTS_KEPT, Flip
from soakd.workloads.classes import CLASSES, available
from soakd.workloads.march import CYCLE, Background, Data

HERE = [name for name in available() if name in catalog.KINDS["memory"].classes]
CHUNKS = 4
SIZE = CHUNKS * memory.CHUNK_BYTES


def no_beat() -> None:
    """These tests watch no heartbeat."""


@pytest.fixture(scope="module", params=HERE)
def program(request):
    return memory.build(CLASSES[request.param])


@pytest.fixture
def task(program):
    return program.task(memory_bytes=SIZE + 1000, beat=no_beat)


def contents(task):
    return np.frombuffer(task.share.bytes, dtype=np.uint64)


def pattern(background: Background, count: int = SIZE // 8):
    """The background by numpy's own modular arithmetic."""
    return np.arange(count, dtype=np.uint64) * np.uint64(background.factor) ^ np.uint64(background.mask)


def begin_round(task):
    task._fault_count, task._faults = 0, []


def faults_of(task):
    return task._fault_count, list(task._faults)


def offset(fault) -> int:
    return int(re.search(r"byte (0x[0-9a-f]+) of ", fault.where)[1], 16)


def test_a_size_that_is_no_multiple_is_rounded_down(task):
    assert task.share.size_bytes == SIZE


def test_the_opening_leaves_the_background_everywhere(task):
    assert np.array_equal(contents(task), pattern(task._background))


def test_each_pass_leaves_what_the_march_says_in_every_word(task):
    """Three whole marches; the words expected come from numpy, the sequence from the shared data."""
    for _ in range(3):
        plain, following = task._background, task._next
        left = {Data.PLAIN: pattern(plain), Data.INVERSE: ~pattern(plain), Data.NEXT: pattern(following)}
        for element in CYCLE:
            assert task.element is element
            assert task.advance(10**6) == CHUNKS
            assert np.array_equal(contents(task), left[element.writes])
        assert task._background == following
    assert (task._sweeps, task._fault_count) == (3, 0)


def test_passes_visit_chunks_in_the_marchs_direction_over_the_whole_share(task):
    chunk_words = memory.CHUNK_BYTES // 8
    for element in CYCLE:
        before = contents(task).copy()
        changed = []
        for _ in range(CHUNKS):
            assert task.advance(1) == 1
            now = contents(task)
            changed.append(int(np.flatnonzero(now != before)[0]) // chunk_words)
            before = now.copy()
        assert changed == sorted(range(CHUNKS), reverse=not element.ascending)


@pytest.mark.parametrize("turn", range(len(CYCLE)))
def test_a_word_planted_wrong_between_passes_is_named_to_the_byte_with_both_patterns(task, turn):
    for _ in range(turn):
        task.advance(CHUNKS)
    index = 3 * memory.CHUNK_BYTES // 8 + 1234 + turn
    right = int(contents(task)[index])
    contents(task)[index] = right ^ 0x0000_4000_0000_0001
    task.advance(CHUNKS)
    count, (fault,) = faults_of(task)
    assert count == 1
    assert (offset(fault), fault.expected, fault.actual) == (8 * index, right, right ^ 0x0000_4000_0000_0001)
    assert fault.flipped == 0x0000_4000_0000_0001
    assert f"(virtual {task.share.address + 8 * index:#x})" in fault.where
    begin_round(task)
    task.advance(CHUNKS)
    assert faults_of(task) == (0, [])


def test_kernels_report_in_the_order_they_visit(task):
    """The direction holds inside a call too: groups far apart are noted first to last, or last to first."""
    for element in CYCLE:
        begin_round(task)
        for index in (5, 9000, 17000, 32000):
            contents(task)[index] ^= np.uint64(1)
        task.advance(CHUNKS)
        places = [offset(fault) // 8 for fault in faults_of(task)[1]]
        assert places == sorted((5, 9000, 17000, 32000), reverse=not element.ascending)


def test_every_one_of_thousands_of_single_bit_flips_is_found_alone_and_exactly(task):
    rng = random.Random(2)
    for _ in range(3000):
        bit = rng.randrange(SIZE * 8)
        begin_round(task)
        contents(task)[bit // 64] ^= np.uint64(1 << bit % 64)
        task.advance(CHUNKS)
        count, (fault,) = faults_of(task)
        assert (count, offset(fault), fault.flipped) == (1, bit // 64 * 8, 1 << bit % 64)


def test_many_wrong_words_are_counted_and_the_first_kept(task):
    contents(task)[::4096] ^= np.uint64(8)
    task.advance(CHUNKS)
    count, faults = faults_of(task)
    assert count == SIZE // 8 // 4096
    assert [offset(fault) // 8 for fault in faults] == [4096 * i for i in range(FAULTS_KEPT)]


def test_wrong_neighbours_in_one_group_are_all_named(task):
    contents(task)[640:643] ^= np.uint64(1 << 63)
    task.advance(CHUNKS)
    assert [offset(fault) // 8 for fault in faults_of(task)[1]] == [640, 641, 642]


def test_rounds_keep_their_place_count_bytes_both_ways_and_find_the_drills_bit(program):
    task, beats = program.task(memory_bytes=SIZE, beat=no_beat), []
    rounds = [task.round(0.01, lambda: beats.append(1)) for _ in range(5)]
    assert all((done.fault_count, done.faults, done.check_s) == (0, (), 0.0) for done in rounds)
    passes = sum(done.operations for done in rounds) / (2 * SIZE)
    assert sum(done.sweeps for done in rounds) == int(passes) // len(CYCLE)
    assert beats
    for bit in (0, 77, 10**9 + 7):
        drilled = task.round(0.01, no_beat, Flip(bit=bit))
        assert drilled.fault_count == 1
        assert drilled.faults[0].flipped == 1 << (bit % 64)
    assert task.round(0.01, no_beat).fault_count == 0


def test_a_share_too_small_to_sweep_is_refused(program):
    with pytest.raises(WorkloadError, match="too small"):
        program.task(memory_bytes=memory.CHUNK_BYTES - 1, beat=no_beat)


def test_a_share_that_cannot_be_had_is_an_error_with_a_remedy():
    with pytest.raises(WorkloadError, match="cannot take") as caught:
        share.Share(1 << 62, no_beat)
    assert "smaller" in caught.value.hint


class RefusingLibrary:
    """A C library whose mlock fails as mlock(2) says it does above the limit."""

    def __init__(self):
        self.unlocked = []

    def mlock(self, _address, _length):
        ctypes.set_errno(errno.ENOMEM)
        return -1

    def munlock(self, address, length):
        self.unlocked.append((address.value, length.value))
        return 0


def test_a_refused_lock_is_said_in_the_note_and_the_share_is_used_all_the_same(program, monkeypatch):
    library, beats = RefusingLibrary(), []
    monkeypatch.setattr(share.ctypes, "CDLL", lambda *_, **__: library)
    monkeypatch.setattr(share.resource, "getrlimit", lambda _: (8 << 20, 8 << 20))
    task = program.task(memory_bytes=SIZE, beat=lambda: beats.append(1))
    assert task.note.startswith("256.0 KiB, not locked (Cannot allocate memory; memlock limit 8.0 MiB), ")
    assert library.unlocked == [(task.share.address, SIZE)]
    assert beats
    assert task.round(0.01, no_beat).fault_count == 0


SMAPS = """\
7f0000000000-7f0000200000 rw-p 00000000 00:00 0
Size:               2048 kB
AnonHugePages:         0 kB
7f0000400000-7f0000c00000 rw-p 00000000 00:00 0
Size:               8192 kB
AnonHugePages:      6144 kB
VmFlags: rd wr mr mw me ac sd hg
"""
"""Layout after proc(5), /proc/pid/smaps."""


def test_huge_pages_are_read_for_the_right_mapping(tmp_path):
    smaps = tmp_path / "smaps"
    smaps.write_text(SMAPS)
    assert share._huge_bytes_at(0x7F0000400000, str(smaps)) == 6 << 20
    assert share._huge_bytes_at(0x7F0000100000, str(smaps)) == 0
    assert share._huge_bytes_at(0x7F0000300000, str(smaps)) is None
    assert share._huge_bytes_at(0x7F0000400000, str(tmp_path / "absent")) is None


@pytest.mark.parametrize(
    ("huge_bytes", "said"),
    [(None, "page size unknown"), (0, "small pages"), (SIZE // 2, "50% in huge pages"), (SIZE, "huge pages")],
)
def test_the_note_says_what_pages_were_really_given(program, monkeypatch, huge_bytes, said):
    monkeypatch.setattr(share, "_huge_bytes_at", lambda _address: huge_bytes)
    assert program.task(memory_bytes=SIZE, beat=no_beat).note.endswith(f", {said}")


@pytest.mark.parametrize(
    ("size_bytes", "text"), [(1536, "1.5 KiB"), (8 << 20, "8.0 MiB"), (4 << 30, "4.0 GiB"), (1 << 30, "1.0 GiB")]
)
def test_sizes_are_written_in_binary_units(size_bytes, text):
    """Unit names after IEC 80000-13."""
    assert share.size_text(size_bytes) == text


SPOILT = {
    "write": ("%y2 = xor", "%y2 = or"),
    "blind": ("icmp ne i{bits} %any, 0", "icmp ne i{bits} %any, %any"),
    "step": ("%read.n3 = add", "%read.n3 = sub"),
}
"""One wrong instruction in each of the kernels that have it."""


@pytest.mark.parametrize("name", HERE)
@pytest.mark.parametrize("what", sorted(SPOILT))
def test_selfcheck_names_a_kernel_that_one_wrong_instruction_spoils(name, what):
    target = CLASSES[name]
    old, new = (part.format(bits=target.register_bits) for part in SPOILT[what])
    text = sweep.kernels_text(target)
    assert old in text
    with pytest.raises(WorkloadError, match=r"kernel 'soakd_\w+' of memory"):
        memory.build(target, text=text.replace(old, new)).selfcheck()


def test_selfcheck_accepts_the_right_kernels(program):
    assert program.selfcheck() is None
