"""Memory workload: one chain of dependent loads, so that the core waits for memory at every step; see `chase`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.workloads.memory import chase

if TYPE_CHECKING:
    from soakd.workloads.classes import InstructionClass
    from soakd.workloads.memory.tasks import MemoryProgram


def build(target: InstructionClass, *, text: str | None = None) -> MemoryProgram:
    """Compile the kernels for one class; `text` replaces them (a test's broken variant)."""
    return chase.build(target, chains=1, text=text)
