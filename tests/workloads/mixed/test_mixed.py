"""Mixed kernels compute what each of their parts would alone, and lose no wrong bit of any of them."""

from __future__ import annotations

import random
import re

import numpy as np
import pytest
from chain_parts import inverted, no_beat, run, spoilt_is_refused, words_wrong
from hypothesis import given, settings
from hypothesis import strategies as st
from lane_parts import fused_step, separate_step
from test_native import instructions, loops, widths

from soakd.errors import WorkloadError
from soakd.workloads import ir
from soakd.workloads.base import Flip
from soakd.workloads.chain import ChainProgram
from soakd.workloads.classes import CLASSES, available
from soakd.workloads.kinds import MIXED
from soakd.workloads.memory.tasks import CHUNK_BYTES
from soakd.workloads.mixed import apart, together
from soakd.workloads.mixed.beside import Beside, woven
from soakd.workloads.vector.residues import FUSED, SEPARATE, doubles

CLASSES_HERE = [name for name in available() if name in MIXED.kernels["together"].classes]
BUILT = [(name, where) for name in MIXED.kernels["together"].classes for where in CLASSES[name].cpu_names]
WORD = 1 << 64
SHARE = 4 * CHUNK_BYTES


@pytest.fixture(scope="module", params=CLASSES_HERE)
def chain(request):
    return Beside(CLASSES[request.param])


@pytest.fixture(scope="module")
def program(chain):
    return ChainProgram(chain, CLASSES[chain.name.partition("(")[2].rstrip(")")])


@pytest.fixture(scope="module", params=CLASSES_HERE)
def mixture(request):
    return together.build(CLASSES[request.param])


def split(chain, block):
    """Lanes' state, integers' state, multipliers of the lanes, constants of the integers."""
    end = chain.state_words
    return block[: chain.lane_words], block[chain.lane_words : end], block[end : end + chain._lanes], block[-3:]


def stepped(state, constants, steps: int) -> list[int]:
    """The integer half by plain stepping, independent of kernel and closed form."""
    (first, second, y, w), (*multipliers, increment) = state, constants
    for _ in range(steps):
        first, second = ((x * a + increment) % WORD for x, a in zip((first, second), multipliers, strict=True))
        for _ in range(2):
            y = (y + w) % WORD
            w = (w + y) % WORD
    return [first, second, y, w]


@settings(max_examples=25, deadline=None)
@given(counts=st.integers(1, 12), drawn=st.lists(st.integers(0, WORD - 1), min_size=7, max_size=7))
def test_both_halves_equal_their_closed_forms_and_plain_evaluation_bit_for_bit(chain, program, counts, drawn):
    block = chain.fresh()
    block[chain.lane_words : chain.state_words] = drawn[:4]
    block[-3:] = [word | 1 for word in drawn[4:]]
    found = run(program, block, counts)
    lanes, integers, multipliers, constants = split(chain, block)
    assert found[chain.lane_words :] == stepped(integers, constants, counts * chain._steps_per_count)
    recipe, step = (FUSED, fused_step) if chain._recipe.fused else (SEPARATE, separate_step)
    for lane in range(counts, len(lanes), 29):
        v, a = int(doubles(lanes)[lane]), int(doubles(multipliers)[lane % chain._lanes])
        for _ in range(counts):
            v = step(v, a, recipe.prime, recipe.form.precision)
        assert doubles(found)[lane] == v
    assert chain.faults(block, counts, found) == []


def test_every_inverted_bit_is_found_in_its_own_half(chain, program):
    for word, block, steps, found in inverted(program, chain, random.Random(5), 1):
        faults = chain.faults(block, steps, found)
        assert faults
        named = {fault.where for fault in faults}
        if word < chain.lane_words:
            assert named == {f"lane {word} of {chain.lane_words}"}
        elif word < chain.lane_words + 2:
            assert named == {f"stream {word - chain.lane_words}"}
        else:
            assert named <= {"first sum", "second sum"}


def test_an_inverted_bit_of_one_half_leaves_the_other_as_it_was(chain, program):
    block = chain.known()
    right = run(program, block, 9)
    for word in (3, chain.lane_words):
        spoilt = [*block[:word], block[word] ^ 1 << 9, *block[word + 1 :]]
        assert words_wrong(right, run(program, spoilt, 9)) == {word}


@pytest.mark.parametrize(("old", "new"), [("mul i64 %v.0", "mul i64 %v.1"), ("%q1 = fsub", "%q1 = fadd")])
def test_one_wrong_instruction_is_refused_at_rest(chain, program, old, new):
    spoilt_is_refused(chain, CLASSES[chain.name.partition("(")[2].rstrip(")")], chain.text(), old, new)


def test_weaving_keeps_each_order_and_spreads_the_shorter():
    assert woven("abcdef", "12") == list("a1bcd2ef")
    assert woven("ab", "1234") == list("a12b34")


@pytest.mark.parametrize(("name", "where"), BUILT)
def test_the_loops_work_in_the_promised_width_and_only_the_sweeps_call(name, where):
    """The chains' loop holds integer multiplies beside vector ones, and calls nothing."""
    target = CLASSES[name]
    (body,) = loops(ir.assembly(Beside(target).text(), target, where))
    assert max(widths(body)) == target.register_bits
    found = instructions(body)
    assert not {"call", "callq", "bl", "blr"} & set(found)
    assert any(op in {"imulq", "mul", "madd"} for op in found)
    assert any(re.match(r"v?f?mul|vfn?m", op) or op.startswith("fml") for op in found)
    sweeps = loops(ir.assembly(together.TogetherDesign(target).text(), target, where))
    assert all(max(widths(body)) == target.register_bits for body in sweeps)


def test_the_march_goes_on_as_it_does_alone_while_the_chains_step(mixture):
    """A whole march: contents by numpy's own arithmetic, and one step of the chains for each group verified."""
    task = mixture.task(memory_bytes=SHARE, beat=no_beat)
    walk, groups = task.walk, SHARE // (8 * together.sweep.group_words(mixture._together._target))
    following, contents = walk.next_background, np.frombuffer(task.share.bytes, dtype=np.uint64)
    for number in range(1, 6):
        task.advance(SHARE // CHUNK_BYTES)
        assert task.companion.steps == number * groups
        assert task.companion.wrong() == []
    places = np.arange(len(contents), dtype=np.uint64)
    assert np.array_equal(contents, places * np.uint64(following.factor) ^ np.uint64(following.mask))


def test_operations_are_words_moved_and_the_chains_own(mixture):
    task = mixture.task(memory_bytes=SHARE, beat=no_beat)
    done = task.round(0.02, no_beat)
    words = 2 * together.sweep.group_words(mixture._together._target)
    assert done.operations == task.companion.steps * (words + task.companion.chain.operations_per_step)
    assert (done.fault_count, done.check_s > 0) == (0, True)


def test_every_drilled_bit_is_found_where_it_was_inverted(mixture):
    task, rng = mixture.task(memory_bytes=SHARE, beat=no_beat), random.Random(8)
    for _ in range(60):
        bit = rng.randrange(1 << 20)
        done = task.round(0.002, no_beat, Flip(bit=bit))
        assert done.fault_count >= 1
        assert all(("byte" in fault.where) == (bit % 2 == 0) for fault in done.faults)
        assert task.round(0.002, no_beat).fault_count == 0


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [("%w3 = getelementptr", "%w3 = getelementptr inbounds", None), ("mul i64 %v.0", "mul i64 %v.1", "mixed/together")],
)
def test_at_rest_the_mixture_is_tried_as_a_whole(mixture, old, new, named):
    """A change without effect is accepted, a wrong instruction refused by name."""
    target = mixture._together._target
    text = together.TogetherDesign(target).text()
    assert old in text
    spoilt = together.build(target, text=text.replace(old, new))
    if named is None:
        spoilt.selfcheck()
    else:
        with pytest.raises(WorkloadError, match=named):
            spoilt.selfcheck()


def kinds_in_turn(seat: int, turns: int) -> list[str]:
    """What a worker runs at each turn of a clock of the test's own, told by what it counts."""
    program, now = apart.build(CLASSES[CLASSES_HERE[-1]]), [0.0]
    chains = tuple(program.task(memory_bytes=0, beat=no_beat) for program in program._chains)
    task = apart.ApartTask(chains, program._memory.task(memory_bytes=SHARE, beat=no_beat), seat, lambda: now[0])
    found = []
    for turn in range(turns):
        now[0] = (turn + 0.5) * apart.TURN_S
        before = [chain.state() for chain in chains]
        assert task.round(0.005, no_beat).fault_count == 0
        moved = [old != chain.state() for old, chain in zip(before, chains, strict=True)]
        found.append({(True, False): "integer", (False, True): "vector", (False, False): "memory"}[*moved])
    return found


def test_at_any_moment_cores_have_different_kinds_and_each_core_has_all_in_turn():
    rows = [kinds_in_turn(seat, 6) for seat in range(3)]
    assert rows[0] == ["integer", "vector", "memory"] * 2
    for column in zip(*rows, strict=True):
        assert len(set(column)) == 3


def test_a_drill_is_found_in_every_kind():
    program, now = apart.build(CLASSES[CLASSES_HERE[-1]]), [0.0]
    task = program.task(memory_bytes=SHARE, beat=no_beat)
    task._clock = lambda: now[0]
    for turn in range(3):
        now[0] = turn * apart.TURN_S
        assert task.round(0.01, no_beat, Flip(bit=70)).fault_count
        assert task.round(0.01, no_beat).fault_count == 0
    assert set(program.digests) == {
        "integer/streams",
        f"vector/lanes ({CLASSES_HERE[-1]})",
        f"memory/march ({CLASSES_HERE[-1]})",
    }
