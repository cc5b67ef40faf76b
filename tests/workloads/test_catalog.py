"""The catalogue and the class table can be read without a compiler, and refuse what cannot be built by name."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import get_args

import pytest

import soakd
from soakd.errors import WorkloadError
from soakd.model.plan import FIRST_KERNELS, WorkloadName
from soakd.workloads import catalog, classes
from soakd.workloads.base import Fault
from soakd.workloads.kinds import KINDS

EVERYTHING = dict.fromkeys(
    (
        "sse2",
        "avx",
        "avx2",
        "fma",
        "bmi",
        "bmi2",
        "lzcnt",
        "movbe",
        "avx512f",
        "avx512vl",
        "avx512bw",
        "avx512dq",
        "avx512cd",
    ),
    True,
)

ALONE = [name for name in catalog.workloads() if not name.startswith("exchange/") and name != "vector/large"]
"""Kernels whose workers need nobody else, and whose process may have built others before."""
ROOT = Path(soakd.__file__).parents[1]


@pytest.fixture
def core(monkeypatch):
    """A core with chosen features, in the compiler's names."""
    from llvmlite import binding

    def have(features, machine="x86_64"):
        monkeypatch.setattr(binding, "get_host_cpu_features", lambda: features)
        monkeypatch.setattr(classes.platform, "machine", lambda: machine)

    return have


def imported_by(code: str) -> set[str]:
    command = [sys.executable, "-c", f"{code}\nimport sys; print(*sys.modules)"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    return set(done.stdout.split())


def test_the_catalogue_imports_no_compiler():
    loaded = imported_by("import soakd.workloads.catalog, soakd.workloads.base, soakd.workloads.classes")
    assert "llvmlite" not in loaded


def test_workers_carry_nothing_heavy_beside_the_compiler():
    code = (
        "from soakd.workloads import catalog, classes\n"
        "for w in catalog.workloads():\n"
        "    if w != 'vector/large': catalog.build(w, classes.resolve(catalog.entry(w).classes, 'widest'))"
    )
    assert not {"numpy", "psutil", "sqlite3", "pydantic", "typer", "rich", "apscheduler"} & imported_by(code)


def test_every_kind_says_what_it_is_and_names_known_classes_narrowest_first():
    order = list(classes.CLASSES)
    for name, kind in KINDS.items():
        assert kind.name == name
        assert kind.unit
        for kernel in kind.kernels.values():
            assert all((kernel.loads, kernel.catches, kernel.misses))
            assert list(kernel.classes) == sorted(kernel.classes, key=order.index)
    widths = [entry.register_bits for entry in classes.CLASSES.values()]
    assert widths == sorted(widths)


@pytest.mark.parametrize("workload", ALONE)
def test_every_kernel_is_built_at_its_widest_here_and_passes_its_own_check(workload):
    kind = KINDS[workload.partition("/")[0]]
    program = catalog.build(workload, classes.resolve(catalog.entry(workload).classes, "widest"))
    program.selfcheck()
    task = program.task(memory_bytes=1 << 20, beat=lambda: None)
    done = task.round(0.01, lambda: None)
    assert (done.fault_count, isinstance(task.note, str)) == (0, True)
    assert bool(task.note) == kind.uses_memory
    assert all(len(digest) == 64 for digest in program.digests.values())


@pytest.mark.parametrize("workload", catalog.workloads())
def test_a_task_keeps_its_native_code_alive_when_the_program_is_gone(workload):
    """In a process of its own: freed code would end it by a signal."""
    code = (
        "import gc\nfrom soakd.workloads import catalog, classes\n"
        f"name = classes.resolve(catalog.entry({workload!r}).classes, 'widest')\n"
        f"task = catalog.build({workload!r}, name).task(memory_bytes=1 << 20, beat=lambda: None)\n"
        "gc.collect()\nassert task.round(0.01, lambda: None).fault_count == 0"
    )
    assert "llvmlite" in imported_by(code)


@pytest.mark.parametrize("workload", ALONE)
def test_workers_forked_from_the_parent_run_its_code_on_operands_of_their_own(workload):
    """Two children of one build; each ends with status 0 only when its clean round is clean and its drill is not."""
    code = (
        "import os\nfrom soakd.workloads import base, catalog, classes\n"
        f"program = catalog.build({workload!r}, classes.resolve(catalog.entry({workload!r}).classes, 'widest'))\n"
        "def work():\n"
        "    task = program.task(memory_bytes=1 << 20, beat=lambda: None)\n"
        "    clean = task.round(0.01, lambda: None)\n"
        "    drilled = task.round(0.05, lambda: None, base.Flip(bit=70))\n"
        "    return 0 if (clean.fault_count, bool(drilled.fault_count)) == (0, True) else 3\n"
        "children = []\n"
        "for _ in range(2):\n"
        "    child = os.fork()\n"
        "    if not child: os._exit(work())\n"
        "    children.append(child)\n"
        "assert [os.waitpid(child, 0)[1] for child in children] == [0, 0]"
    )
    assert "llvmlite" in imported_by(code)


def test_a_plan_can_name_every_kernel_and_nothing_else():
    """The model may not import the catalogue; the names must agree all the same."""
    short = {name: f"{name}/{kind.default}" for name, kind in KINDS.items()}
    assert set(get_args(WorkloadName)) == {*short, *catalog.workloads()}
    assert {name: f"{name}/{first}" for name, first in FIRST_KERNELS.items()} == short


def test_unknown_kinds_and_classes_are_refused_with_what_there_is():
    with pytest.raises(WorkloadError, match="no workload 'spin'") as caught:
        catalog.build("spin", "scalar")
    assert caught.value.hint == f"there are: {', '.join(KINDS)}"
    with pytest.raises(WorkloadError, match="workload 'integer' has no kernel 'spin'") as caught:
        catalog.build("integer/spin", "scalar")
    assert "streams" in caught.value.hint
    with pytest.raises(WorkloadError, match="cannot be built for instruction class 'scalar'") as caught:
        catalog.build("vector/lanes", "scalar")
    assert "vector-512" in caught.value.hint


@pytest.mark.parametrize(
    ("features", "machine", "has"),
    [
        (EVERYTHING, "x86_64", ("scalar", "vector-128", "vector-256", "vector-256-fma", "vector-512")),
        (EVERYTHING | {"avx512bw": False}, "x86_64", ("scalar", "vector-128", "vector-256", "vector-256-fma")),
        ({"sse2": True, "avx": True}, "AMD64", ("scalar", "vector-128", "vector-256")),
        ({"sse2": True}, "x86_64", ("scalar", "vector-128")),
        ({"neon": True}, "aarch64", ("scalar", "vector-128-fma")),
        ({}, "arm64", ("scalar",)),
    ],
)
def test_a_core_has_the_classes_whose_features_it_has(core, features, machine, has):
    core(features, machine)
    assert classes.available() == has


def test_widest_is_the_widest_that_both_core_and_workload_have(core):
    core({"sse2": True, "avx": True})
    assert classes.resolve(catalog.entry("vector/lanes").classes, "widest") == "vector-256"
    assert classes.resolve(catalog.entry("memory/march").classes, "widest") == "vector-128"
    assert classes.resolve(catalog.entry("vector/lanes").classes, "vector-128") == "vector-128"


def test_a_class_the_core_lacks_is_refused_with_what_it_has(core):
    core({"sse2": True, "avx": True})
    with pytest.raises(WorkloadError, match="'vector-512' is not to be had here") as caught:
        classes.resolve(catalog.entry("vector/lanes").classes, "vector-512")
    assert caught.value.hint == "this core and workload have: vector-128, vector-256"
    with pytest.raises(WorkloadError, match="'vector-1024' does not exist"):
        classes.resolve(catalog.entry("vector/lanes").classes, "vector-1024")
    core({}, "arm64")
    with pytest.raises(WorkloadError) as caught:
        classes.resolve(catalog.entry("memory/march").classes, "widest")
    assert caught.value.hint.endswith("none")


def test_an_architecture_without_workloads_is_refused(core):
    core({}, "riscv64")
    with pytest.raises(WorkloadError, match="'riscv64'"):
        classes.available()


def test_flipped_is_the_exclusive_or():
    assert Fault(where="stream 3", expected=0b1100, actual=0b1010).flipped == 0b0110
