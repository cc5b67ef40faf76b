"""Compiled code is what its class promises: the register width, no call in the loop, the same bytes every time."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

import soakd
from soakd.errors import WorkloadError
from soakd.workloads import catalog, classes, clockprobe, ir
from soakd.workloads.classes import CLASSES
from soakd.workloads.integer import streams as integer
from soakd.workloads.memory import sweep
from soakd.workloads.vector import lanes as vector

ROOT = Path(soakd.__file__).parents[1]
X86, ARM = "x86-64", "aarch64"
# Intel SDM vol. 1, 3.2 and AMD APM vol. 1, 1.1: xmm, ymm and zmm name the low 128, 256 and all 512 bits of a register.
WIDTH_NAMES = {"xmm": 128, "ymm": 256, "zmm": 512}
BUILT = [
    (kind, name, where)
    for kind in ("vector/lanes", "memory/march")
    for name in catalog.entry(kind).classes
    for where in CLASSES[name].cpu_names
]
TEXTS = {"vector/lanes": vector.kernel_text, "memory/march": sweep.kernels_text}


def loops(assembly: str) -> list[str]:
    """Bodies of innermost loops: from a label to a later branch back to it, with no other such label inside."""
    lines, found = [line.split("//")[0].rstrip() for line in assembly.splitlines()], []
    labels = {line[:-1]: at for at, line in enumerate(lines) if re.fullmatch(r"\.L\w+:", line)}
    for at, line in enumerate(lines):
        branch = re.match(r"\s*(?:j\w+|b\.\w+|cbnz|tbnz)\s+(?:\w+, )*(\.L\w+)", line)
        if branch and labels.get(branch[1], at) < at:
            found.append((labels[branch[1]], at))
    # A range that leaves by an unconditional jump is not one loop: the rarely taken path was placed behind it.
    whole = [(a, b) for a, b in found if not any(re.match(r"\s*(jmp|b|ret)\b(?!\.)", line) for line in lines[a:b])]
    inner = [(a, b) for a, b in whole if not any(a <= c and d <= b and (a, b) != (c, d) for c, d in whole)]
    return ["\n".join(lines[a : b + 1]) for a, b in inner]


def widths(body: str) -> set[int]:
    named = {WIDTH_NAMES[name] for name in re.findall(r"%([xyz]mm)\d+", body)}
    arm = {128 for _ in re.findall(r"\bv\d+\.2d\b|\bq\d+\b|\bv\d+\.16b\b", body)}
    return named | arm


def instructions(body: str) -> list[str]:
    return [line.split()[0] for line in body.splitlines() if line.startswith("\t") and not line.startswith("\t.")]


@pytest.mark.parametrize(("kind", "name", "where"), BUILT)
def test_every_loop_uses_the_promised_width_and_no_other_and_calls_nothing(kind, name, where):
    assembly = ir.assembly(TEXTS[kind](CLASSES[name]), CLASSES[name], where)
    bodies = loops(assembly)
    assert len(bodies) == (1 if kind == "vector/lanes" else len(sweep.KERNELS))
    for body in bodies:
        assert widths(body) == {CLASSES[name].register_bits}
        assert not {"call", "callq", "bl", "blr"} & set(instructions(body))
    assert not re.search(r"\b(call|callq|bl)\b\s+\w*fma", assembly)


@pytest.mark.parametrize("name", catalog.entry("vector/lanes").classes)
def test_fused_operations_are_where_the_class_has_them_and_nowhere_else(name):
    """Per vector and step: three fused, one multiply, two additions; or three multiplies and three additions."""
    (where,) = CLASSES[name].cpu_names
    (body,) = loops(ir.assembly(vector.kernel_text(CLASSES[name]), CLASSES[name], where))
    seen = instructions(body)
    fused = sum(bool(re.match(r"vfn?m(add|sub)|fml[as]", op)) for op in seen)
    multiplies = sum(bool(re.fullmatch(r"v?mulpd|fmul", op)) for op in seen)
    additions = sum(bool(re.fullmatch(r"v?(add|sub)pd|f(add|sub)", op)) for op in seen)
    per_step = (3, 1, 2) if CLASSES[name].fused else (0, 3, 3)
    assert (fused, multiplies, additions) == tuple(vector.interleave_of(CLASSES[name]) * n for n in per_step)


def test_the_portable_integer_loop_stays_scalar_and_calls_nothing():
    for where in (X86, ARM):
        (body,) = loops(ir.assembly(integer.portable_text(), CLASSES["scalar"], where))
        assert not widths(body)
        assert not {"callq", "call", "bl"} & set(instructions(body))


DIGESTS = """
from soakd.workloads import catalog, classes
for workload in catalog.workloads():
    for name in classes.available():
        if name in catalog.entry(workload).classes and workload != "vector/large":
            print(sorted(catalog.build(workload, name).digests.items()))
"""


def test_object_code_is_the_same_bytes_in_every_process():
    """All but vector/large: one process can hold its library for one class only."""
    runs = {
        subprocess.run([sys.executable, "-c", DIGESTS], cwd=ROOT, capture_output=True, text=True, check=True).stdout
        for _ in range(2)
    }
    assert len(runs) == 1
    printed = runs.pop().splitlines()
    here = [
        str(sorted(catalog.build(workload, name).digests.items()))
        for workload in catalog.workloads()
        for name in classes.available()
        if name in catalog.entry(workload).classes and workload != "vector/large"
    ]
    assert printed == here
    assert all(re.search(r"[0-9a-f]{64}", line) for line in printed)
    named = {pair for line in printed for pair in ast.literal_eval(line)}
    assert len(dict(named)) == len(named), "one name stands for one object code"


def test_an_empty_kernel_name_or_a_text_that_does_not_parse_is_our_error_with_a_name():
    with pytest.raises(WorkloadError, match="not valid"):
        ir.compile_kernels("define nonsense", CLASSES["scalar"], ("soakd_none",))
    with pytest.raises(WorkloadError, match="lacks soakd_none"):
        ir.compile_kernels(integer.portable_text(), CLASSES["scalar"], ("soakd_none",))


def test_a_class_of_another_architecture_is_refused():
    other = next(entry for entry in CLASSES.values() if classes.architecture() not in entry.cpu_names)
    with pytest.raises(WorkloadError, match="does not exist on"):
        vector.build(other)


def test_the_clock_probe_agrees_with_itself_or_says_it_cannot():
    probe = clockprobe.ClockProbe()
    assert probe.assumption
    if probe.available:
        assert 100 < probe.mhz() < 10_000
    else:
        with pytest.raises(WorkloadError, match="not known to hold"):
            probe.mhz()


def test_the_clock_probe_computes_cycles_over_the_fastest_window(monkeypatch):
    """Nine windows, the first discarded, the empty call's time taken off: 399 960 cycles in 100 us are 3999.6 MHz."""
    probe = clockprobe.ClockProbe()
    windows_ns = iter([50_000, 130_200, 100_200, *[150_000] * 6])
    monkeypatch.setattr(clockprobe.ClockProbe, "_window_ns", lambda _self, _blocks: next(windows_ns))
    monkeypatch.setattr(probe, "available", True)
    monkeypatch.setattr(probe, "_call_ns", 200, raising=False)
    assert probe.mhz() == pytest.approx(3999.6, abs=1e-9)


def test_the_clock_probe_is_honest_where_the_chain_is_unknown(monkeypatch):
    monkeypatch.setattr(clockprobe, "architecture", lambda: ARM)
    probe = clockprobe.ClockProbe()
    assert probe.available is False
    with pytest.raises(WorkloadError, match="not known to hold"):
        probe.mhz()
