"""The marching tasks go as their sequence says, and name exactly the byte that is wrong."""

from __future__ import annotations

import ctypes
import errno
import random
import re

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from soakd.errors import WorkloadError
from soakd.workloads.base import FAULTS_KEPT, Flip
from soakd.workloads.classes import CLASSES, available
from soakd.workloads.memory import march, marching, pieces, reread, share, ss, sweep
from soakd.workloads.memory.march import C_MINUS, Background, Data, Pass
from soakd.workloads.memory.places import Places
from soakd.workloads.memory.sweeper import Sweeper

SWEPT = ("vector-128", "vector-128-fma", "vector-256-fma", "vector-512")
HERE = [name for name in available() if name in SWEPT]
CHUNKS = 4
SIZE = CHUNKS * marching.CHUNK_BYTES
MARCHES = {"march": (marching, march.C_MINUS), "reread": (reread, march.REREAD), "ss": (ss, march.SS)}


def no_beat() -> None:
    """These tests watch no heartbeat."""


@pytest.fixture(scope="module", params=HERE)
def program(request):
    return marching.build(CLASSES[request.param])


@pytest.fixture
def task(program):
    return program.task(memory_bytes=SIZE + 1000, beat=no_beat)


def contents(task):
    return np.frombuffer(task.share.bytes, dtype=np.uint64)


def pattern(background: Background, count: int = SIZE // 8):
    """The background by numpy's own modular arithmetic."""
    return np.arange(count, dtype=np.uint64) * np.uint64(background.factor) ^ np.uint64(background.mask)


def begin_round(task):
    task._begin()


def faults_of(task):
    return task._wrong, list(task._faults)


def offset(fault) -> int:
    return int(re.search(r"byte (0x[0-9a-f]+) of ", fault.where)[1], 16)


def test_a_size_that_is_no_multiple_is_rounded_down(task):
    assert task.share.size_bytes == SIZE


def test_the_opening_leaves_the_background_everywhere(task):
    assert np.array_equal(contents(task), pattern(task.walk.background))


@pytest.mark.parametrize("block_bytes", [marching.CHUNK_BYTES, 2 * marching.CHUNK_BYTES, 1 << 30])
@pytest.mark.parametrize("name", MARCHES)
def test_each_pass_leaves_what_the_march_says_in_every_word(name, block_bytes, monkeypatch):
    """Two whole marches; the words expected come from numpy, the sequence from the shared data."""
    module, cycle = MARCHES[name]
    monkeypatch.setattr(marching, "BLOCK_BYTES", block_bytes)
    task = module.build(CLASSES[HERE[-1]]).task(memory_bytes=SIZE, beat=no_beat)
    size, expected, moved = min(block_bytes // marching.CHUNK_BYTES, CHUNKS), contents(task).copy(), 0
    for _ in range(2):
        plain, following = task.walk.background, task.walk.next_background
        left = {Data.PLAIN: pattern(plain), Data.INVERSE: ~pattern(plain), Data.NEXT: pattern(following)}
        for element in cycle:
            blocks = range(0, CHUNKS, size)
            for first in blocks if element.ascending else reversed(blocks):
                words = slice(first * 8192, (first + size) * 8192)
                for step in element.passes:
                    assert (task.walk.element, task.walk.step) == (element, step)
                    assert task.advance(10**6) == size
                    expected[words] = left[step.writes][words] if step.writes else expected[words]
                    assert np.array_equal(contents(task), expected)
                    moved += size * marching.CHUNK_BYTES * (2 if step.writes else 1)
        assert task.walk.background == following
    assert (task._sweeps, task._wrong, task._bytes_moved) == (2, 0, moved)


def test_passes_visit_chunks_in_the_marchs_direction_over_the_whole_share(task):
    chunk_words = marching.CHUNK_BYTES // 8
    for element in C_MINUS:
        before = contents(task).copy()
        changed = []
        for _ in range(CHUNKS):
            assert task.advance(1) == 1
            now = contents(task)
            changed.append(int(np.flatnonzero(now != before)[0]) // chunk_words)
            before = now.copy()
        assert changed == sorted(range(CHUNKS), reverse=not element.ascending)


@pytest.mark.parametrize("descends", [False, True])
def test_reading_passes_keep_their_direction_too(descends, program):
    """The first fault noted is the first that the pass came by."""
    task = reread.build(program._design._target).task(memory_bytes=SIZE, beat=no_beat)
    while task.walk.element.ascending == descends or task.walk.step.writes is not None:
        task.advance(CHUNKS)
    contents(task)[[5, 32000]] ^= np.uint64(1)
    begin_round(task)
    task.advance(CHUNKS)
    assert [offset(fault) // 8 for fault in faults_of(task)[1]] == ([32000, 5] if descends else [5, 32000])


def test_blocks_cover_the_share_once_and_none_is_smaller_than_asked():
    for chunks in range(1, 40):
        for size in range(1, 12):
            blocks = marching.blocks_of(chunks, size)
            assert [begin for begin, _ in blocks] == [0, *(end for _, end in blocks[:-1])]
            assert blocks[-1][1] == chunks
            assert all(end - begin >= min(size, chunks) for begin, end in blocks)


def test_a_pass_for_which_there_is_no_kernel_is_refused():
    with pytest.raises(KeyError):
        marching.kernel_of(Pass(reads=Data.PLAIN, writes=Data.NEXT), ascending=False)


@pytest.mark.parametrize("turn", range(len(C_MINUS)))
def test_a_word_planted_wrong_between_passes_is_named_to_the_byte_with_both_patterns(task, turn):
    for _ in range(turn):
        task.advance(CHUNKS)
    index = 3 * marching.CHUNK_BYTES // 8 + 1234 + turn
    right = int(contents(task)[index])
    contents(task)[index] = right ^ 0x0000_4000_0000_0001
    task.advance(CHUNKS)
    count, (fault,) = faults_of(task)
    assert count == 1
    assert (offset(fault), fault.expected, fault.actual) == (8 * index, right, right ^ 0x0000_4000_0000_0001)
    assert fault.flipped == 0x0000_4000_0000_0001
    assert f"(virtual {task.share.address + 8 * index:#x}" in fault.where
    assert "re-reads: 3 wrong" in fault.where
    assert len(fault.where) < 200
    begin_round(task)
    task.advance(CHUNKS)
    assert faults_of(task) == (0, [])


def test_kernels_report_in_the_order_they_visit(task):
    """The direction holds inside a call too: groups far apart are noted first to last, or last to first."""
    for element in C_MINUS:
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
    assert sum(done.sweeps for done in rounds) == int(passes) // len(C_MINUS)
    assert beats
    for bit in (0, 77, 10**9 + 7):
        drilled = task.round(0.01, no_beat, Flip(bit=bit))
        assert drilled.fault_count == 1
        assert drilled.faults[0].flipped == 1 << (bit % 64)
    assert task.round(0.01, no_beat).fault_count == 0


def test_a_share_too_small_to_sweep_is_refused(program):
    with pytest.raises(WorkloadError, match="too small"):
        program.task(memory_bytes=marching.CHUNK_BYTES - 1, beat=no_beat)


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
    monkeypatch.setattr(share, "_libc", lambda: library)
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


words = st.integers(0, (1 << 64) - 1)
backgrounds = st.builds(Background, factor=words.map(lambda word: word | 1), mask=words)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(old=backgrounds, new=backgrounds, groups=st.tuples(st.integers(0, 60), st.integers(1, 60)), place=words)
def test_every_kernel_does_to_any_stretch_what_plain_arithmetic_says(program, old, new, groups, place):
    """Any backgrounds, any place and length; a wrong word in the stretch is the only fault, outside it none."""
    target = program._design._target
    size = sweep.group_words(target)
    begin, end = groups[0] * size, (groups[0] + groups[1]) * size
    planted, bit = place % (121 * size), place % 64
    memory = share.Share(1 << 16, no_beat)
    contents = (ctypes.c_uint64 * (121 * size)).from_address(memory.address)
    written = {sweep.UP: old.inverse(), sweep.DOWN: old.inverse(), sweep.RENEW: new, sweep.FILL: new}
    where = Places(memory.address, memory.size_bytes, flushed=True)
    sweeper = Sweeper(program._compiled.kernels, target, memory.address, where)
    for kernel in sweep.KERNELS:
        before = [(i * old.factor & (1 << 64) - 1) ^ old.mask ^ (i == planted) << bit for i in range(121 * size)]
        contents[:] = before
        left = written.get(kernel)
        count, faults = sweeper.run(kernel, begin, end, old, left or old)
        assert list(contents[:begin]) + list(contents[end:]) == before[:begin] + before[end:]
        after = (
            [(i * left.factor & (1 << 64) - 1) ^ left.mask for i in range(begin, end)] if left else before[begin:end]
        )
        assert list(contents[begin:end]) == after
        seen = kernel != sweep.FILL and begin <= planted < end
        assert (count, [(offset(fault), fault.flipped) for fault in faults]) == (
            (1, [(8 * planted, 1 << bit)]) if seen else (0, [])
        )


SPOILT = {
    "write": ("%y2 = xor", "%y2 = or"),
    "blind": ("icmp ne i{bits} %any, 0", "icmp ne i{bits} %any, %any"),
    "read step": ("%read.n3 = add", "%read.n3 = sub"),
    "write step": ("%write.n1 = add", "%write.n1 = sub"),
    "way": ("%then = getelementptr i64, ptr %here, i64", "%then = getelementptr i64, ptr %here, i64 0 ;"),
}
"""One wrong instruction; each in every kernel that has it."""


def spoilings(target):
    for name, text in sweep.functions(target).items():
        for old, new in (tuple(part.format(bits=target.register_bits) for part in parts) for parts in SPOILT.values()):
            if old in text:
                yield name, text.replace(old, new)


def test_a_core_that_finds_right_words_different_is_reported_too():
    target = CLASSES[HERE[-1]]
    text = sweep.kernels_text(target).replace("%x0 = xor", "%x0 = or")
    task = marching.build(target, text=text).task(memory_bytes=SIZE, beat=no_beat)
    done = task.walk.advance(1)
    assert done.wrong > FAULTS_KEPT
    assert all("the core found right words different" in fault.where for fault in done.faults)


@pytest.mark.parametrize("name", HERE)
def test_selfcheck_names_the_kernel_that_one_wrong_instruction_spoils(name):
    target, seen = CLASSES[name], 0
    for spoilt, text in spoilings(target):
        texts = sweep.functions(target) | {spoilt: text}
        with pytest.raises(WorkloadError, match=rf"kernel '{spoilt}' of memory/march \({name}\) is wrong"):
            marching.build(target, text="\n".join((*texts.values(), pieces.COMMON))).selfcheck()
        seen += 1
    assert seen == 22


def test_selfcheck_accepts_the_right_kernels(program):
    assert program.selfcheck() is None


@pytest.mark.parametrize("name", MARCHES)
def test_every_march_finds_the_drills_bit_and_is_clean_once_it_is_written_over(name):
    """A march that reads twice before it writes may report the same wrong word twice."""
    task = MARCHES[name][0].build(CLASSES[HERE[-1]]).task(memory_bytes=SIZE, beat=no_beat)
    for bit in (0, 77, 10**9 + 7):
        drilled = task.round(0.01, no_beat, Flip(bit=bit))
        assert {fault.flipped for fault in drilled.faults} == {1 << bit % 64}
        assert 1 <= drilled.fault_count <= 2
    last = task.round(0.01, no_beat)
    while not last.sweeps:
        last = task.round(0.01, no_beat)
    assert task.round(0.01, no_beat).fault_count == 0


def test_marches_cost_as_many_operations_per_word_as_the_literature_says():
    """March C- 10, March SS 22; rereading adds one read to each of five passes."""
    per_march = {
        name: sum(2 if step.writes else 1 for element in cycle for step in element.passes)
        for name, (_, cycle) in MARCHES.items()
    }
    assert per_march == {"march": 10, "reread": 15, "ss": 22}
