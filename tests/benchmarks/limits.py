"""What the pipes of a core allow, and what each kernel gets of it: `python tests/benchmarks/limits.py [--turns 60]`.

For a core family that `soakd/workloads/families.py` does not know. Bare instructions, each without any dependence, give
the pipes; the kernels stand beside them, in operations per cycle. All are run by turns, a window of some milliseconds
each between two clock probes, on one core after another; the best window counts, because neighbours only ever slow one
down. Windows whose probes disagree are left out. x86-64 only. Loads one core at a time, without a guard: stay there.
"""

import argparse
import ctypes
import json
import mmap
import os
import time
from functools import partial

from soakd.workloads import catalog, classes, ir
from soakd.workloads.chain import KERNEL
from soakd.workloads.classes import CLASSES, WIDEST, resolve
from soakd.workloads.clockprobe import STEADY, probe_here
from soakd.workloads.families import cpuinfo, family_of, limit

WINDOW_S = 0.003
PRODUCTS_S = 0.03
"""Many products of the library, so that the first, with other data in the caches, does not count."""
UNROLL = 12
LARGE = "vector/large"
WIDE = {"vector-128": "xmm", "vector-256-fma": "ymm", "vector-512": "zmm"}
VECTOR = {
    "multiply 32 to 64": ["vpmuludq %{r}1, %{r}0, %{r}{n}"],
    "shift": ["vpsrlq $32, %{r}0, %{r}{n}"],
    "add integers": ["vpaddq %{r}1, %{r}0, %{r}{n}"],
    "exclusive or": ["vpxor{q} %{r}1, %{r}0, %{r}{n}"],
    "multiply": ["vmulpd %{r}1, %{r}0, %{r}{n}"],
    "add": ["vaddpd %{r}1, %{r}0, %{r}{n}"],
    "fused": ["vfmadd231pd %{r}1, %{r}0, %{r}{n}"],
    "two fused, an add": [
        "vfmadd231pd %{r}1, %{r}0, %{r}{n}",
        "vaddpd %{r}1, %{r}0, %{r}2",
        "vfmadd231pd %{r}1, %{r}0, %{r}{m}",
    ],
    "multiply and add": ["vmulpd %{r}1, %{r}0, %{r}{n}", "vaddpd %{r}1, %{r}0, %{r}{m}"],
    "fused, a load": ["vfmadd231pd (%rdi), %{r}0, %{r}{n}"],
    "divide": ["vdivpd %{r}1, %{r}0, %{r}{n}"],
    "root": ["vsqrtpd %{r}1, %{r}{n}"],
}
SCALAR = {
    "multiply 64": ["imulq %rbx, %r{k}"],
    "multiply to 128": ["movq %rbx, %rax", "mulq %rcx"],
    "divide 128 by 64": ["movq %rbx, %rdx", "movq %r8, %rax", "divq %rcx"],
    "add 64": ["addq %rbx, %r{k}"],
}


def bare(lines: list[str], target: classes.InstructionClass, register: str = "") -> object:
    """A kernel that runs `lines` UNROLL times for each count, on results that nothing waits for but themselves."""
    body = [
        line.format(r=register, q="q" if register == "zmm" else "", n=3 + n, m=3 + (n + 6) % UNROLL, k=8 + n % 8)
        for n in range(UNROLL)
        for line in lines
    ]
    load = [f"vmovupd (%rdi), %{register}{n}" for n in range(3 + UNROLL)] if register else []
    saved = ["%rbx", "%r12", "%r13", "%r14", "%r15"]
    text = [
        ".text", ".p2align 6", f".globl {KERNEL}", f".type {KERNEL},@function", f"{KERNEL}:",
        *(f"pushq {name}" for name in saved), *load,
        "movq $-1, %rcx", "movq $-3, %rbx", *(f"movq $-5, %r{n}" for n in range(8, 16)),
        ".p2align 6", "1:", *body, "decq %rsi", "jnz 1b", *(["vzeroupper"] if register else []),
        *(f"popq {name}" for name in reversed(saved)), "retq", f".size {KERNEL}, .-{KERNEL}",
    ]  # fmt: skip
    return ir.compile_kernels("\n".join(f'module asm "{line}"' for line in text), target, (KERNEL,))


class Item:
    """Something to be run in windows: its best rate so far, in operations per cycle."""

    def __init__(self, name: str, advance, per_count: int, window_s: float = WINDOW_S) -> None:
        self.name, self.advance, self.per_count, self.window_s = name, advance, per_count, window_s
        self.counts, self.best, self.kept = 16, 0.0, 0

    def window(self, probe) -> None:
        before = probe.mhz()
        begun = time.thread_time_ns()
        self.advance(self.counts)
        spent_ns = time.thread_time_ns() - begun
        after = probe.mhz()
        if spent_ns > self.window_s * 0.3e9 and abs(before - after) <= STEADY * before:
            self.kept += 1
            self.best = max(self.best, self.counts * self.per_count / (spent_ns * (before + after) / 2e3))
        self.counts = max(1, min(8 * self.counts, int(self.counts * self.window_s * 1e9 / max(spent_ns, 1))))


def _run(kernel, block, count: int) -> None:
    kernel(ctypes.addressof(block), count)


def instructions(here: tuple[str, ...]) -> list[Item]:
    pages = mmap.mmap(-1, 4096)
    block = (ctypes.c_double * 64).from_buffer(pages)
    block[:] = [1.5 + i / 64 for i in range(64)]
    found = []
    wanted = [(name, lines, "scalar", "") for name, lines in SCALAR.items()]
    wanted += [(name, lines, level, WIDE[level]) for level in WIDE if level in here for name, lines in VECTOR.items()]
    for name, lines, level, register in wanted:
        compiled = bare(lines, CLASSES["vector-512" if level == "vector-512" else "vector-256-fma"], register)
        run = partial(_run, compiled.kernels[KERNEL], block)
        per_count = UNROLL * (len(lines) if register else 1)
        found.append(Item(f"bare {name} {register or 'scalar'}", run, per_count))
    return found


def kernels(here: tuple[str, ...], wanted: list[str]) -> list[Item]:
    found = []
    for workload in catalog.workloads():
        if workload.partition("/")[0] not in {"integer", "vector"} or workload == LARGE:
            continue
        for level in catalog.entry(workload).classes:
            if level in here and (not wanted or workload in wanted):
                task = catalog.build(workload, level).task(memory_bytes=0, beat=lambda: None)
                task.load(task._chain.fresh())
                operations = task._chain.steps_per_count * task._chain.operations_per_step
                found.append(Item(f"{workload} {level}", task.advance, operations))
    return found


def products() -> list[Item]:
    """The chain of large products, and the library's products alone, in the widest class: a process has one."""
    level = resolve(catalog.entry(LARGE).classes, WIDEST)
    task = catalog.build(LARGE, level).task(memory_bytes=0, beat=lambda: None)
    flops = 2 * task.state.shape[0] ** 3

    def multiply(count: int) -> None:
        for _ in range(count):
            task.multiply()

    forms = ((f"bare product {level}", multiply), (f"{LARGE} {level}", task.advance))
    return [Item(name, advance, flops, PRODUCTS_S) for name, advance in forms]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("kernels", nargs="*")
    parser.add_argument("--turns", type=int, default=60)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    here, probe, family = classes.available(), probe_here(), family_of(cpuinfo())
    items = instructions(here) + kernels(here, options.kernels)
    if not options.kernels or LARGE in options.kernels:
        items += products()
    cores = sorted(os.sched_getaffinity(0))
    for turn in range(options.turns):
        os.sched_setaffinity(0, {cores[turn % len(cores)]})
        probe.mhz()
        for item in items:
            item.window(probe)
    if options.json:
        print(json.dumps({item.name: item.best for item in items}))
        return
    print(f"{cpuinfo().get('model name')}: operations per cycle, best of {options.turns} windows")
    for item in items:
        full = limit(*item.name.split(), family) if not item.name.startswith("bare") else None
        share = f"{item.best / full:7.1%} of {full:.2f}" if full else ""
        print(f"{item.name:40} {item.best:8.3f}  ({1 / item.best if item.best else 0:7.3f})  {share}  [{item.kept}]")


if __name__ == "__main__":
    main()
