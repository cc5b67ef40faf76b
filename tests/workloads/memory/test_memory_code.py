"""Compiled memory kernels are what their class promises: register width, no call, a flush only for what is wrong."""

from __future__ import annotations

import itertools
import re

import pytest
from test_native import instructions, loops, widths

from soakd.workloads import ir
from soakd.workloads.classes import CLASSES, architecture
from soakd.workloads.memory import links, moves, permuted, pieces, sweep

SWEPT = ("vector-128", "vector-128-fma", "vector-256-fma", "vector-512")
TEXTS = {
    "sweeps": (sweep.kernels_text, len(sweep.KERNELS)),
    "permuted": (lambda target: permuted.PermutedDesign(target).text(), 2),
    "moves": (lambda target: moves.MovesDesign(target).text(), 4),
}
BUILT = [(kind, name, where) for kind in TEXTS for name in SWEPT for where in CLASSES[name].cpu_names]
ARM = "vector-128-fma"
REGISTER = {128: "x", 256: "y", 512: "z"}
FLUSHES = {"clflush", "mfence"}


@pytest.mark.parametrize(("kind", "name", "where"), BUILT)
def test_loops_work_in_the_promised_width_and_no_wider_one_and_call_nothing(kind, name, where):
    """A permuted kernel also passes one word at a time through the low part of a register, to spread it."""
    text, count = TEXTS[kind]
    bodies = loops(ir.assembly(text(CLASSES[name]), CLASSES[name], where))
    assert len(bodies) == count
    for body in bodies:
        assert max(widths(body)) == CLASSES[name].register_bits
        assert kind == "permuted" or len(widths(body)) == 1
        assert not {"call", "callq", "bl", "blr"} & set(instructions(body))


@pytest.mark.parametrize(("kind", "name"), [(kind, name) for kind in TEXTS for name in SWEPT if name != ARM])
def test_memory_is_written_in_whole_registers_only(kind, name):
    """A store's operands in the x86-64 assembler's syntax: a register, then a place in memory."""
    text, seen = TEXTS[kind][0], 0
    for body in loops(ir.assembly(text(CLASSES[name]), CLASSES[name], "x86-64")):
        stores = [line for line in body.splitlines() if re.search(r"mov\w*\s+%\w+, -?\d*\(", line)]
        assert all(re.search(rf"mov\w+\s+%{REGISTER[CLASSES[name].register_bits]}mm", line) for line in stores)
        seen += len(stores)
    assert seen


@pytest.mark.parametrize(("kind", "name", "where"), BUILT)
def test_flushes_are_there_for_what_is_wrong_and_nowhere_in_a_loop(kind, name, where):
    target = CLASSES[name]
    assembly = ir.assembly(TEXTS[kind][0](target), target, where)
    assert ("clflush" in assembly) == pieces.flushes(target) == (where == architecture() == "x86-64")
    assert not any(FLUSHES & set(instructions(body)) for body in loops(assembly))


def test_each_wrong_line_is_flushed_before_each_reading():
    """Lines of a group times readings, in every kernel that verifies."""
    for name in ("vector-128", "vector-256-fma", "vector-512"):
        target = CLASSES[name]
        lines = max(1, sweep.group_words(target) * 8 // 64)
        for kernel, text in sweep.functions(target).items():
            wanted = lines * pieces.REREADS if kernel != sweep.FILL and pieces.flushes(target) else 0
            assert text.count("clflush") == wanted
            assert text.count("mfence") == (pieces.REREADS if wanted else 0)


@pytest.mark.parametrize("name", [name for name in SWEPT if name != ARM])
def test_sweeps_ask_for_each_line_once_far_and_once_near_ahead_of_themselves(name):
    """Offsets from the group that is verified: whole lines apart, above it when ascending and below when descending."""
    target = CLASSES[name]
    group = sweep.group_words(target) * pieces.WORD_BYTES
    for kernel, text in sweep.functions(target).items():
        (body,) = loops(ir.assembly(f"{text}\n{pieces.COMMON}", target, "x86-64"))
        fetched = re.findall(r"prefetch(\w+)\s+(-?\d+)\(", body)
        way = -1 if kernel in sweep.DESCENDING else 1
        far, near = (sorted(int(at) for hint, at in fetched if (hint == "t1") == second) for second in (True, False))
        assert [b - a for a, b in itertools.pairwise(far)] == [pieces.LINE_BYTES] * (group // pieces.LINE_BYTES - 1)
        assert len(far) == len(near)
        assert {b - a for a, b in zip(near, far, strict=True)} == {way * (pieces.FAR_BYTES - pieces.NEAR_BYTES)}
        assert way * min(near, key=abs) > 0


@pytest.mark.parametrize("name", [name for name in SWEPT if name != ARM])
def test_copies_go_round_the_caches_and_sweeps_do_not(name):
    target = CLASSES[name]
    up, down, *sweeps = loops(ir.assembly(moves.MovesDesign(target).text(), target, "x86-64"))
    for body in (up, down):
        assert sum("movnt" in op for op in instructions(body)) == sweep.VECTORS
    assert not any("movnt" in body for body in (*sweeps, ir.assembly(sweep.kernels_text(target), target, "x86-64")))


@pytest.mark.parametrize("where", ["x86-64", "aarch64"])
@pytest.mark.parametrize("chains", [1, 2, 8, 16])
def test_chains_are_scalar_code_with_one_load_and_one_store_of_a_link_each(where, chains):
    target = CLASSES["scalar"]
    first, followed = loops(ir.assembly(links.kernels_text(chains, flushed=where == "x86-64"), target, where))
    for body in (first, followed):
        assert not widths(body)
        assert not {"call", "callq", "bl", "blr"} & set(instructions(body))
    fetches = sum(op.startswith(("prefetch", "prfm")) for op in instructions(followed))
    assert fetches == chains
