"""The matrix kernel is exact to its bounds, follows its closed form, and loses no wrong bit of what it keeps in L1."""

from __future__ import annotations

import gc
import os
import random
import re
from fractions import Fraction
from itertools import pairwise
from operator import mul
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_native import instructions, loops, widths
from test_powers import determinant

from soakd.errors import WorkloadError
from soakd.workloads import ir
from soakd.workloads.base import Flip
from soakd.workloads.classes import CLASSES, available
from soakd.workloads.vector import matrix
from soakd.workloads.vector.matrix import BOUND, COLUMNS, MATRIX_WORDS, OFFSET, PRIME, SIZE, STATE_WORDS
from soakd.workloads.vector.residues import MAGIC, doubles, patterns

NAMES = ("vector-128-fma", "vector-256-fma", "vector-512")
HERE = [name for name in NAMES if name in available()]
HALF = PRIME // 2


def no_beat() -> None:
    """These tests watch no heartbeat."""


@pytest.fixture(scope="module", params=HERE)
def program(request):
    return matrix.build(CLASSES[request.param])


@pytest.fixture(scope="module")
def task(program):
    return program.task(memory_bytes=0, beat=no_beat)


@pytest.fixture(scope="module")
def chain():
    return matrix.Matrix(CLASSES["vector-512"])


def elements(block) -> tuple[list[list[int]], list[list[int]]]:
    """Rows of A and columns of S."""
    a = [int(value) for value in doubles(block[STATE_WORDS : STATE_WORDS + MATRIX_WORDS])]
    s = [word - OFFSET for word in block[:STATE_WORDS]]
    return [a[i : i + SIZE] for i in range(0, MATRIX_WORDS, SIZE)], [s[j::COLUMNS] for j in range(COLUMNS)]


def stepped(block, steps: int) -> list[int]:
    """The stored words after so many steps, from the definition, with the quotient rounded as the kernel rounds it."""
    rows, columns = elements(block)
    inverse = Fraction(1.0 / PRIME)
    for _ in range(steps):
        sums = [[sum(map(mul, row, column)) for row in rows] for column in columns]
        assert all(abs(x) < 1 << 53 for column in sums for x in column)
        columns = [[x - round(x * inverse) * PRIME for x in column] for column in sums]
        assert all(abs(x) <= BOUND for column in columns for x in column)
    return [OFFSET + value for row in zip(*columns, strict=True) for value in row]


def random_block(chain, seed: int):
    rng = random.Random(seed)
    edge = [HALF, -HALF, BOUND, -BOUND, 1, 0]
    state = [rng.choice(edge) if rng.random() < 0.5 else rng.randint(-HALF, HALF) for _ in range(STATE_WORDS)]
    return chain.block(state, [rng.randrange(1, PRIME) for _ in range(SIZE)])


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 2**32), count=st.integers(1, 2))
def test_kernel_closed_form_and_plain_stepping_agree_bit_for_bit(task, chain, seed, count):
    block = random_block(chain, seed)
    task.load(block)
    task.advance(count)
    found = list(task.state())
    assert found[:STATE_WORDS] == stepped(block, 2 * count)
    assert found[STATE_WORDS:] == list(block[STATE_WORDS : STATE_WORDS + MATRIX_WORDS])
    assert not chain.faults(block, 2 * count, found)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 2**32), count=st.integers(1, 30_000))
def test_kernel_and_closed_form_agree_after_many_steps(task, chain, seed, count):
    block = random_block(chain, seed)
    task.load(block)
    task.advance(count)
    assert not chain.faults(block, 2 * count, task.state())


def test_sums_as_large_as_they_can_be_are_exact(task, chain):
    """All of A at +-(p - 1)/2 and all of S at +-(p + 1)/2, signs alike (all products equal) and mixed."""
    rng = random.Random(1)
    for signs in ((1,), (-1,), (1, -1)):
        block = list(chain.known())
        block[:STATE_WORDS] = [OFFSET + BOUND * rng.choice(signs) for _ in range(STATE_WORDS)]
        block[STATE_WORDS : STATE_WORDS + MATRIX_WORDS] = patterns([float(HALF)] * MATRIX_WORDS)
        task.load(block)
        task.advance(1)
        assert list(task.state()[:STATE_WORDS]) == stepped(block, 2)


def is_prime(n: int) -> bool:
    return all(n % d for d in range(2, int(n**0.5) + 1))


def test_the_modulus_is_the_largest_prime_that_keeps_every_sum_exact():
    def fits(p: int) -> bool:
        return SIZE * (p - 1) // 2 * (p + 1) // 2 < 1 << 53

    assert is_prime(PRIME)
    assert fits(PRIME)
    larger = PRIME + 2
    while fits(larger):
        assert not is_prime(larger)
        larger += 2


def test_each_round_has_a_new_s_and_a_new_invertible_a(chain):
    blocks = [chain.fresh() for _ in range(4)]
    for block in blocks:
        rows, columns = elements(block)
        assert all(abs(value) <= HALF for row in rows for value in row)
        assert all(abs(value) <= HALF for column in columns for value in column)
        assert determinant([[value % PRIME for value in row] for row in rows]) == 1
    for first, second in pairwise(blocks):
        same = sum(x == y for x, y in zip(first[: chain.state_words], second[: chain.state_words], strict=True))
        assert same < SIZE + 10


def test_every_pattern_around_the_offset_is_an_integer_one_apart():
    words = [OFFSET - BOUND, OFFSET - 1, OFFSET, OFFSET + 1, OFFSET + BOUND]
    assert [value - MAGIC for value in doubles(words)] == [-BOUND, -1, 0, 1, BOUND]


def test_every_inverted_bit_of_s_or_a_is_found(task, chain):
    """Random elements and moments, every bit place of each: an error in S stays in its column, one in A is named."""
    rng = random.Random(11)
    for turn in range(12):
        block, before, after = chain.fresh(), rng.randint(1, 20), rng.randint(1, 6)
        right = chain.after(block, 2 * (before + after))
        task.load(block)
        task.advance(before)
        middle = task.state() + block[chain.state_words :]
        for place in range(64):
            for word in (rng.randrange(STATE_WORDS), STATE_WORDS + rng.randrange(MATRIX_WORDS)):
                task.load(middle)
                task.invert(64 * word + place)
                task.advance(after)
                wrong = [fault.where for fault in matrix.compare(block, right, task.state())]
                assert wrong, (turn, word, place)
                row, column = divmod(word - STATE_WORDS, SIZE)
                if word < STATE_WORDS:
                    assert {where.rpartition(" ")[2] for where in wrong} == {str(word % COLUMNS)}
                else:
                    assert wrong[0] == f"A, row {row}, column {column}"


def test_a_single_wrong_element_of_the_last_state_is_named_alone(task, chain):
    block = chain.fresh()
    task.load(block)
    task.advance(5)
    task.invert(64 * (7 * COLUMNS + 3))
    (fault,) = chain.faults(block, 10, task.state())
    assert fault.where == "S, row 7, column 3"
    assert fault.flipped == 1


def test_a_word_beyond_the_bound_is_a_fault_even_with_the_right_residue(chain):
    block = chain.known()
    right, found = chain.after(block, 0), block[: chain.state_words]
    assert not matrix.compare(block, right, found)
    found[0] += 2 * PRIME if found[0] < OFFSET else -2 * PRIME
    (fault,) = matrix.compare(block, right, found)
    assert (fault.where, fault.expected) == ("S, row 0, column 0", block[0])


def test_a_clean_round_has_no_fault_and_a_drill_is_found(program):
    task = program.task(memory_bytes=0, beat=no_beat)
    clean = task.round(0.02, no_beat)
    assert (clean.fault_count, clean.faults, clean.sweeps) == (0, (), 0)
    assert clean.operations > 0
    assert clean.operations % (2 * 2 * SIZE * SIZE * COLUMNS) == 0
    drilled = task.round(0.02, no_beat, Flip(bit=64 * (5 * COLUMNS + 9)))
    assert {fault.where.rpartition(" ")[2] for fault in drilled.faults} == {"9"}
    assert drilled.fault_count > SIZE // 2
    assert task.round(0.02, no_beat).fault_count == 0


def private_kib() -> int:
    """Memory that this process shares with nobody (proc(5), smaps_rollup)."""
    lines = Path("/proc/self/smaps_rollup").read_text().splitlines()
    return sum(int(line.split()[1]) for line in lines if line.startswith("Private_"))


def test_checks_leave_the_powers_shared_with_the_parent(chain):
    """1.3 MB of them, of which a hundred checks with ever other exponents use every part."""
    block, pid = chain.known(), os.fork()
    if pid == 0:
        code = 1
        gc.disable()  # it writes to every object
        try:
            private = []
            for count in (5, 100):
                for i in range(count):
                    chain.after(block, 987_654_321 * (i + 1) % 32**4)
                private.append(private_kib())
            code = private[1] - private[0] > 256
        finally:
            os._exit(code)
    assert os.waitpid(pid, 0)[1] == 0


def test_selfcheck_accepts_the_right_kernel(program):
    assert program.selfcheck() is None


SPOILT = {
    "quotient": (r"%q0_1 = fsub", "%q0_1 = fadd"),
    "operand": (r"(%x1_2_1 = call .*)%s0_1", r"\1%s0_0"),
    "row": (r"(%x1_3_0 = call .*)%a0_3", r"\1%a0_2"),
    "offset": (r"%s0_1 = fsub", "%s0_1 = fadd"),
    "store": (r"store (.*) %o4_1,", r"store \1 %z4_1,"),
}
"""One wrong instruction in the tile."""


@pytest.mark.parametrize("name", HERE)
@pytest.mark.parametrize("what", sorted(SPOILT))
def test_selfcheck_names_a_kernel_that_one_wrong_instruction_spoils(name, what):
    text, changes = re.subn(*SPOILT[what], matrix.kernel_text(CLASSES[name]))
    assert changes == 1
    with pytest.raises(WorkloadError, match=rf"vector/matrix \({name}\)' computes wrongly"):
        matrix.build(CLASSES[name], text=text).selfcheck()


@pytest.mark.parametrize("name", NAMES)
def test_the_inner_loop_is_fused_operations_of_the_promised_width_and_spills_nothing(name):
    target, (rows, across, unroll) = CLASSES[name], matrix._TILES[name]
    (where,) = target.cpu_names
    assembly = ir.assembly(matrix.kernel_text(target), target, where)
    (body,) = loops(assembly)
    seen = instructions(body)
    assert widths(body) == {target.register_bits}
    assert sum(bool(re.fullmatch(r"vfmadd\w+pd|fmla", op)) for op in seen) == rows * across * unroll
    assert sum(bool(re.fullmatch(r"v?(add|sub)pd|f(add|sub)", op)) for op in seen) == across * unroll
    assert not {"call", "callq", "bl", "blr"} & set(seen)
    assert not re.search(r"Spill|Reload", assembly)
