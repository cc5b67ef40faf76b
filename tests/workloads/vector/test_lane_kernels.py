"""What holds for every kernel that evolves modular lanes: single precision, all pipes, roots and quotients."""

from __future__ import annotations

import random
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lane_parts import fused_step, separate_step
from test_native import instructions, loops, widths

from soakd.errors import WorkloadError
from soakd.workloads import ir
from soakd.workloads.base import Flip
from soakd.workloads.classes import CLASSES, architecture, available
from soakd.workloads.vector import pipes, residues, roots, single
from soakd.workloads.vector.lanes import VECTORS

EVERY = ("vector-128", "vector-128-fma", "vector-256", "vector-256-fma", "vector-512")
KERNELS = {
    "single": (single.chain_of, single.build, EVERY),
    "pipes": (pipes.chain_of, pipes.build, ("vector-128-fma", "vector-256-fma", "vector-512")),
    "roots": (roots.chain_of, roots.build, EVERY),
}
ALL = [(kernel, name) for kernel, (_, _, names) in KERNELS.items() for name in names]
HERE = [(kernel, name) for kernel, name in ALL if name in available()]


def no_beat() -> None:
    """These tests watch no heartbeat."""


class Bench:
    """One kernel with its state as numbers."""

    def __init__(self, kernel: str, name: str):
        chain_of, build, _ = KERNELS[kernel]
        self.chain, self.program = chain_of(CLASSES[name]), build(CLASSES[name])
        self.recipe, self.lanes = self.chain._recipe, self.chain._lanes
        self.form, self.count = self.recipe.form, VECTORS * self.lanes
        self.task = self.program.task(memory_bytes=0, beat=no_beat)

    def values(self):
        return residues.numbers(self.task.state(), self.form)

    def fresh(self):
        return residues.Operands.fresh(self.recipe, VECTORS, self.lanes)

    def edge(self, rng: random.Random):
        """States at, near and far from the bound, and multipliers at the top of their range."""
        bound, top = self.recipe.state_bound, self.recipe.multiplier_bound - 1 | 1
        sizes = [rng.choice((bound - 2 - rng.randrange(50), rng.randrange(1, bound - 1), 1)) for _ in range(self.count)]
        return residues.Operands(
            states=tuple(size * rng.choice((1, -1)) for size in sizes),
            multipliers=tuple(top - 2 * i for i in range(self.lanes)),
        )

    def drawn(self, rng: random.Random):
        """What `fresh` draws, from a seed: a chance agreement, once in millions in single precision, stays away."""
        recipe, half = self.recipe, (self.recipe.prime - 1) // 2
        odd = range(recipe.multiplier_floor + 1, recipe.multiplier_bound, 2)
        return residues.Operands(
            states=tuple(rng.randint(1, half) * rng.choice((1, -1)) for _ in range(self.count)),
            multipliers=tuple(rng.sample(odd, self.lanes)),
        )

    def start(self, operands):
        self.task.load(self.chain.block(operands))


@pytest.fixture(scope="module", params=HERE, ids=" ".join)
def bench(request):
    return Bench(*request.param)


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 2**32), steps=st.integers(1, 12), edge=st.booleans())
def test_kernel_equals_closed_form_and_exact_rationals_bit_for_bit(bench, seed, steps, edge):
    start = bench.edge(random.Random(seed)) if edge else bench.fresh()
    bench.start(start)
    bench.task.advance(steps)
    values, recipe = bench.values(), bench.recipe
    step = fused_step if recipe.fused else separate_step
    for lane in range(seed % 97, bench.count, 97):
        v, a = start.states[lane], start.multipliers[lane % bench.lanes]
        for _ in range(steps):
            v = step(v, a, recipe.prime, bench.form.precision)
            assert abs(v) <= recipe.state_bound
        assert residues.pattern(values[lane], bench.form) == residues.pattern(float(v), bench.form)
    assert not residues.compare(recipe, start.residues_after(recipe, steps), values)


def test_many_random_rounds_end_on_their_closed_form(bench):
    rng = random.Random(3)
    for _ in range(25):
        start, steps = bench.fresh(), rng.randint(1, 4000)
        bench.start(start)
        bench.task.advance(steps)
        assert not residues.compare(bench.recipe, start.residues_after(bench.recipe, steps), bench.values())


def test_every_inverted_bit_is_found_in_its_own_lane(bench):
    """Every bit place of a lane, and random lanes and moments: thousands of flips, none lost, none blamed elsewhere."""
    rng, bits = random.Random(11), bench.form.bits
    for turn in range(8):
        start, before, after = bench.drawn(rng), rng.randint(1, 40), rng.randint(1, 40)
        right = start.residues_after(bench.recipe, before + after)
        block = bench.chain.block(start)
        bench.task.load(block)
        bench.task.advance(before)
        middle = [*bench.task.state(), *block[bench.chain.state_words :]]
        for flip in range(128):
            lane, place = rng.randrange(bench.count), (128 * turn + flip) % bits
            bench.task.load(middle)
            bench.task.invert(bits * lane + place)
            bench.task.advance(after)
            faults = residues.compare(bench.recipe, right, bench.values())
            assert [fault.where for fault in faults] == [f"lane {lane} of {bench.count}"]


def test_a_clean_round_has_no_fault_and_a_drill_exactly_the_one_asked_for(bench):
    clean = bench.task.round(0.02, no_beat)
    assert (clean.fault_count, clean.faults, clean.sweeps) == (0, (), 0)
    assert clean.operations > 0
    assert clean.operations % bench.chain.operations_per_step == 0
    drilled = bench.task.round(0.02, no_beat, Flip(bit=bench.form.bits * 17 + 21))
    assert [fault.where for fault in drilled.faults] == [f"lane 17 of {bench.count}"]
    assert bench.task.round(0.02, no_beat).fault_count == 0


def test_selfcheck_accepts_the_right_kernel(bench):
    assert bench.program.selfcheck() is None


SPOILT = {
    "quotient": (r"%q1 = fsub", "%q1 = fadd"),
    "operand": (r"(%h3 = fmul <\d+ x \w+> )%v3", r"\1%v2"),
    "remainder": (r"%d2 = (fmul|call) .*", r"%d2 = fadd {kind} %q2, %p"),
}
SPOILT_ROOTS = {
    "root": (r"%root0 = call .*", "%root0 = fadd {kind} %s0, %s0"),
    "sign": (r"(%quotient3 = fdiv .*, )%r3", r"\1%root3"),
    "square": (r"(%t1 = fmul .*, )%root1", r"\1%r0"),
}
"""One wrong instruction in one of the vectors side by side."""
WRONG = [
    (kernel, name, change)
    for kernel, name in HERE
    for change in (*SPOILT.values(), *(SPOILT_ROOTS.values() if kernel == "roots" else ()))
]


@pytest.mark.parametrize(("kernel", "name", "change"), WRONG)
def test_selfcheck_names_a_kernel_that_one_wrong_instruction_spoils(kernel, name, change):
    chain_of, build, _ = KERNELS[kernel]
    chain = chain_of(CLASSES[name])
    kind = f"<{chain._lanes} x {chain._recipe.form.name}>"
    text, changes = re.subn(change[0], change[1].replace("{kind}", kind), chain.text())
    assert changes == 1
    with pytest.raises(WorkloadError, match=rf"vector/{kernel} \({name}\)' computes wrongly"):
        build(CLASSES[name], text=text).selfcheck()


@pytest.mark.parametrize(("kernel", "name", "where"), [(k, n, where) for k, n in ALL for where in CLASSES[n].cpu_names])
def test_the_loop_works_in_the_promised_width_spills_nothing_and_calls_nothing(kernel, name, where):
    assembly = ir.assembly(KERNELS[kernel][0](CLASSES[name]).text(), CLASSES[name], where)
    (body,) = loops(assembly)
    assert widths(body.replace(".4s", ".2d")) == {CLASSES[name].register_bits}
    assert not {"call", "callq", "bl", "blr"} & set(instructions(body))
    assert not re.search(r"Spill|Reload", assembly)


OPERATIONS = {
    "fused": (r"vfn?m(add|sub)\w+p[sd]|fml[as]", {"single": (3, 0)}),
    "multiplies": (r"v?mulp[sd]|fmul", {"single": (1, 3), "pipes": (3, 3), "roots": (5, 5)}),
    "additions": (r"v?(add|sub)p[sd]|f(add|sub)", {"single": (2, 3), "pipes": (3, 3), "roots": (3, 3)}),
    "roots": (r"v?sqrtpd|fsqrt", {"roots": (1, 1)}),
    "quotients": (r"v?divpd|fdiv", {"roots": (1, 1)}),
}
"""Per vector and step, in a class that has fused operations and in one that has not."""


@pytest.mark.parametrize(("kernel", "name"), ALL)
def test_each_step_has_the_instructions_it_is_described_with(kernel, name):
    chain = KERNELS[kernel][0](CLASSES[name])
    (where,) = CLASSES[name].cpu_names
    (body,) = loops(ir.assembly(chain.text(), CLASSES[name], where))
    for pattern, counts in OPERATIONS.values():
        seen = sum(bool(re.fullmatch(pattern, op)) for op in instructions(body))
        assert seen == counts.get(kernel, (0, 0))[not CLASSES[name].fused] * chain._interleave


def test_a_class_of_another_architecture_is_refused():
    other = next(name for name in EVERY if architecture() not in CLASSES[name].cpu_names)
    for kernel in ("single", "roots"):
        with pytest.raises(WorkloadError, match="does not exist on"):
            KERNELS[kernel][1](CLASSES[other])
