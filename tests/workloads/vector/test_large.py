"""Large products: exact whatever the library does inside, nothing lost, one thread, and the class it says."""

import os
import random
import re
import subprocess
import sys
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from soakd.errors import WorkloadError
from soakd.workloads import ir
from soakd.workloads.base import Flip
from soakd.workloads.classes import CLASSES, available
from soakd.workloads.vector import large

HERE = [name for name in ("vector-256-fma", "vector-512") if name in available()]
pytestmark = pytest.mark.skipif(not HERE, reason="not shown on this machine: neither class of large products is here")


def no_beat():
    """Nobody watches."""


@pytest.fixture(scope="module")
def program():
    """In the widest class of this core, which is what the library takes by itself."""
    return large.build(CLASSES[HERE[-1]])


@pytest.fixture(scope="module")
def products(program):
    from soakd.workloads.vector import products

    return products


@pytest.fixture(scope="module")
def task(program):
    return program._task(no_beat, 20)


@pytest.fixture(scope="module")
def rows(products):
    """The chain for single rows in Python's integers: independent of library, kernel and check."""

    def after(task, row, steps):
        matrix = task._integers.tolist()
        state = task._start[row].tolist()
        for _ in range(steps):
            state = [sum(map(int.__mul__, state, column)) % products.PRIME for column in zip(*matrix, strict=True)]
        return state

    return after


def test_the_modulus_is_the_largest_prime_whose_sums_stay_exact(products):
    def exact(p):
        return products.SIZE * (p * p - 1) // 4 < 1 << 53

    def prime(n):
        return n % 2 == 1 and all(n % d for d in range(3, int(n**0.5) + 1, 2))

    assert prime(products.PRIME)
    assert exact(products.PRIME)
    assert not [n for n in range(products.PRIME + 1, products.PRIME + 1000) if prime(n) and exact(n)]


@settings(max_examples=8, deadline=None)
@given(steps=st.integers(1, 20), row=st.integers(0, 383))
def test_the_chain_is_what_plain_integers_give(task, rows, products, steps, row):
    task.load()
    task.advance(steps)
    assert [int(x) % products.PRIME for x in task.state[row].tolist()] == rows(task, row, steps)
    assert task.faults(steps, no_beat) == (0, [])


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 2**64 - 1))
def test_the_reduction_rounds_as_ieee_754_says(task, products, seed):
    """Whole magnitudes up to 2^53: h - q*p with q rounded once, bit for bit, and the three accumulators with it."""
    rng = random.Random(seed)
    task.load()
    before = products.bits_of(task.state)
    values = [rng.randrange(-(1 << 53) + 1, 1 << 53) >> rng.randrange(54) for _ in range(200)]
    values += [k * products.PRIME + e for k in (-3, 0, 5, 2**29) for e in (-1, 0, 1, products.HALF, products.BOUND)]
    task.product[:] = 0.0
    task.product.reshape(-1)[: len(values)] = values
    task.reduce()
    wanted = []
    for h in values:
        z = float(Fraction(h) * Fraction(1.0 / products.PRIME) + Fraction(products.MAGIC))
        wanted.append(h - int(z - products.MAGIC) * products.PRIME)
    assert task.state.reshape(-1)[: len(values)].tolist() == [float(value) for value in wanted]
    assert max(map(abs, wanted)) <= products.BOUND
    assert not task.state.reshape(-1)[len(values) :].any()
    word = products.Word
    assert task._words[word.READ] == before
    assert task._words[word.WRITTEN] == (before + products.bits_of(task.state)) % (1 << 64)
    assert task._words[word.BAD] == 0


def test_the_matrix_has_determinant_one_modulo_p(products):
    """By elimination modulo a prime, in exact 64-bit integers."""
    import numpy as np

    p = products.PRIME
    work = products.unit_matrix(np.random.default_rng(5)) % p
    determinant = 1
    for i in range(products.SIZE):
        pivot = i + int(np.flatnonzero(work[i:, i])[0])
        if pivot != i:
            work[[i, pivot]] = work[[pivot, i]]
            determinant = -determinant
        determinant = determinant * int(work[i, i]) % p
        scale = work[i + 1 :, i] * pow(int(work[i, i]), -1, p) % p
        work[i + 1 :] = (work[i + 1 :] - scale[:, None] * work[i]) % p
    assert determinant == 1


def test_a_clean_round_has_no_fault_and_its_check_costs_little(program):
    task = program.task(memory_bytes=0, beat=no_beat)
    assert re.fullmatch(r"OpenBLAS \S+, core type \w+, 1 thread", task.note)
    done = task.round(0.2, no_beat)
    assert (done.fault_count, done.faults) == (0, ())
    assert done.operations % (2 * 384**3) == 0
    assert done.operations > 0
    assert done.check_s < 0.05 * done.work_s + 0.02


@pytest.mark.thorough
def test_single_bits_of_the_state_between_two_steps_are_all_found(task):
    """600 random ones, half of them in the low bits that a sum rounds away."""
    rng = random.Random(11)
    for n in range(600):
        task.load()
        before, after = rng.randint(0, 2), rng.randint(0, 2)
        task.advance(before)
        word = rng.randrange(384 * 384)
        task.invert(64 * word + rng.randrange(*((0, 30) if n % 2 else (0, 64))))
        task.advance(after)
        count, faults = task.faults(before + after, no_beat)
        assert count
        assert faults[0].flipped


def test_a_state_bit_that_changes_a_residue_is_told_with_its_row(task):
    for bit in (51, 52, 63):
        task.load()
        task.advance(1)
        task.invert(64 * (384 * 77 + 5) + bit)
        task.advance(2)
        assert any(fault.where.startswith("row 77 of 384") for fault in task.faults(3, no_beat)[1])


@pytest.mark.thorough
def test_single_bits_of_a_product_before_its_reduction_are_all_found(task, products):
    import numpy as np

    rng = random.Random(12)
    for _ in range(300):
        task.load()
        task.advance(1)
        task.multiply()
        bits = task.product.reshape(-1).view(np.uint64)
        bits[rng.randrange(bits.size)] ^= np.uint64(1 << rng.randrange(64))
        with np.errstate(all="ignore"):
            task.reduce()
        assert task.faults(2, no_beat)[0]


def test_single_bits_of_the_multiplier_are_all_found(program):
    import numpy as np

    task, rng = program._task(no_beat, 2), random.Random(13)
    bits = task.matrix.reshape(-1).view(np.uint64)
    for _ in range(100):
        word, mask = rng.randrange(bits.size), np.uint64(1 << rng.randrange(64))
        bits[word] ^= mask
        task.load()
        task.advance(1)
        assert task.faults(1, no_beat)[0]
        bits[word] ^= mask
    task.load()
    assert task.faults(task.advance(1), no_beat) == (0, [])


def test_a_drill_is_found_in_its_round_only(task):
    rng = random.Random(14)
    for _ in range(3):
        assert task.round(0.02, no_beat, Flip(bit=rng.getrandbits(40))).fault_count
        assert task.round(0.02, no_beat).fault_count == 0


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("%q2 = fsub", "%q2 = fadd"),
        ("%written3.next = add", "%written3.next = sub"),
        ("%read0.next = add", "%read0.next = sub"),
    ],
)
def test_selfcheck_names_a_kernel_that_one_wrong_instruction_spoils(program, products, old, new):
    text = products.reduction_text(program._target)
    assert old in text
    with pytest.raises(WorkloadError, match=r"kernel 'vector/large .* computes wrongly"):
        large.build(program._target, text=text.replace(old, new, 1)).selfcheck()


def test_selfcheck_accepts_the_right_kernel(program):
    assert program.selfcheck() is None


@pytest.mark.parametrize("name", ["vector-256-fma", "vector-512"])
def test_the_reduction_works_in_the_registers_of_its_class_and_calls_nothing(products, name):
    assembly = ir.assembly(products.reduction_text(CLASSES[name]), CLASSES[name], "x86-64")
    (loop,) = re.findall(r"^(\.L\w+):\n((?:(?!^\.L).*\n)*?\s+j\w+\s+\1)$", assembly, re.MULTILINE)
    register = {"vector-256-fma": "ymm", "vector-512": "zmm"}[name]
    assert set(re.findall(r"%([xyz]mm)\d", loop[1])) == {register}
    assert len(re.findall(r"vfn?m(?:add|sub)", loop[1])) == 8
    assert not re.search(r"\bcall", assembly)


PROBE = """
import os, sys
from soakd.errors import WorkloadError
from soakd.workloads.classes import CLASSES
from soakd.workloads.vector import large
program = large.build(CLASSES[sys.argv[1]])
program.selfcheck()
task = program._task(lambda: None, 1)
task.advance(3)
print(len(os.listdir("/proc/self/task")), task.note)
for name in CLASSES:
    if name != sys.argv[1]:
        try:
            large.build(CLASSES[name])
        except WorkloadError as error:
            print("refused", name)
"""


@pytest.mark.parametrize("name", HERE)
def test_one_thread_and_one_core_type_whatever_the_environment_says(name):
    """In a process of its own: the user asks for four threads and a core type that is nobody's business here."""
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "4", "OMP_NUM_THREADS": "4", "OPENBLAS_CORETYPE": "Nehalem"}
    done = subprocess.run(
        [sys.executable, "-c", PROBE, name], env=environment, capture_output=True, text=True, check=True
    )
    first, *refused = done.stdout.splitlines()
    assert re.fullmatch(r"1 OpenBLAS \S+, core type \w+, 1 thread", first)
    assert refused == [f"refused {other}" for other in CLASSES if other != name]


def test_a_library_that_was_loaded_with_many_threads_is_held_to_one():
    script = "import numpy; from soakd.workloads.vector.openblas import alone; print(alone().threads)"
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "2"}
    done = subprocess.run([sys.executable, "-c", script], env=environment, capture_output=True, text=True, check=True)
    assert done.stdout == "1\n"


def test_where_no_openblas_is_loaded_the_reason_is_told(tmp_path):
    from soakd.workloads.vector import openblas

    maps = tmp_path / "maps"
    maps.write_text("7f00-7f01 r-xp 00000000 00:00 0 [vdso]\n7f02-7f03 r-xp 00000000 08:01 5 /usr/lib/libc.so.6\n")
    assert openblas.loaded_library(str(maps)) is None
