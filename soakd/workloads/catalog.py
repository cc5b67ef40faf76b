"""The workloads by name, and the door to build them.

Imports no compiler, so that a listing costs nothing; the kernel modules are loaded by `build`.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, cast

from soakd.errors import WorkloadError
from soakd.workloads.classes import CLASSES
from soakd.workloads.kinds import KINDS

if TYPE_CHECKING:
    from soakd.workloads.base import Program
    from soakd.workloads.kinds import KernelEntry, Kind


def workloads() -> tuple[str, ...]:
    """Every kernel in full, kind by kind."""
    return tuple(f"{kind.name}/{name}" for kind in KINDS.values() for name in kind.kernels)


def kind_of(workload: str) -> Kind:
    """The kind of "kind/kernel"; raises KeyError for what does not exist."""
    return KINDS[workload.partition("/")[0]]


def entry(workload: str) -> KernelEntry:
    """What is known of "kind/kernel". Raises WorkloadError for what does not exist."""
    name, _, kernel = workload.partition("/")
    if name not in KINDS:
        raise WorkloadError(f"there is no workload {name!r}", hint=f"there are: {', '.join(KINDS)}")
    kind = KINDS[name]
    if kernel not in kind.kernels:
        raise WorkloadError(f"workload {name!r} has no kernel {kernel!r}", hint=f"it has: {', '.join(kind.kernels)}")
    return kind.kernels[kernel]


def build(workload: str, instruction_class: str, *, issue_order: str | None = None) -> Program:
    """Compile "kind/kernel" for one class ("widest" is the caller's to resolve); `issue_order`: this machine's own."""
    known = entry(workload)
    if instruction_class not in known.classes:
        raise WorkloadError(
            f"workload {workload!r} cannot be built for instruction class {instruction_class!r}",
            hint=f"it can be for: {', '.join(known.classes)}",
        )
    module = import_module(f"soakd.workloads.{workload.partition('/')[0]}.{known.module}")
    tuned = {"issue_order": issue_order} if known.takes_issue_order else {}
    return cast("Program", module.build(CLASSES[instruction_class], **tuned))
