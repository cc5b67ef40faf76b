"""The workloads there are: what each loads, what it catches, what it cannot catch, and the door to build it.

Imports no compiler, so that a listing costs nothing; the kernel modules are loaded by `build`.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib import import_module
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, cast

from soakd.errors import WorkloadError
from soakd.workloads.classes import CLASSES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from soakd.workloads.base import Program


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """One workload as the user sees it."""

    name: str
    unit: str
    """What `Round.operations` counts."""
    loads: str
    catches: str
    misses: str
    classes: tuple[str, ...]
    """Instruction classes that it can be built for, narrowest first."""
    uses_memory: bool
    """Whether the task's share of memory matters."""


KINDS: Final[Mapping[str, Kind]] = MappingProxyType(
    {
        "integer": Kind(
            name="integer",
            unit="integer operations",
            loads="64-bit multiplier and all integer adders of one core, from registers",
            catches="any wrong bit in a stream's product, sum or register, for operands that are new every round",
            misses="caches, memory, branches, vector units; operand pairs that were not drawn",
            classes=("scalar",),
            uses_memory=False,
        ),
        "vector": Kind(
            name="vector",
            unit="floating-point operations",
            loads="floating-point multiply and add pipes of one core at a chosen register width, state in L1",
            catches="any wrong bit of a lane's state; the highest current draw of the core at that width",
            misses="a wrong intermediate that a later rounding absorbs without changing the state; caches beyond L1",
            classes=("vector-128", "vector-128-fma", "vector-256", "vector-256-fma", "vector-512"),
            uses_memory=False,
        ),
        "memory": Kind(
            name="memory",
            unit="bytes",
            loads="memory channels, memory controller and caches, streaming reads and writes both ways",
            catches="stuck, transition, address and coupling faults between words; within a word over several sweeps",
            misses="read-disturb that needs a second read, retention beyond one sweep, what error correction repairs",
            classes=("vector-128", "vector-128-fma", "vector-256-fma", "vector-512"),
            uses_memory=True,
        ),
    }
)


def build(kind: str, instruction_class: str) -> Program:
    """Compile the workload's kernels for one instruction class ("widest" is the caller's to resolve first)."""
    if kind not in KINDS:
        raise WorkloadError(f"there is no workload {kind!r}", hint=f"there are: {', '.join(KINDS)}")
    if instruction_class not in KINDS[kind].classes:
        raise WorkloadError(
            f"workload {kind!r} cannot be built for instruction class {instruction_class!r}",
            hint=f"it can be for: {', '.join(KINDS[kind].classes)}",
        )
    module = import_module(f"soakd.workloads.{kind}")
    return cast("Program", module.build(CLASSES[instruction_class]))
