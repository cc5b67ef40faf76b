"""Memory workload: March C- with another read of each block after it was written, for reads that deceive.

A cell may give the right value and lose it in the giving (deceptive read destructive fault); only a second read with no
write between shows it.  The march and what it needs to reach the array are in `march`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.workloads.memory import march
from soakd.workloads.memory.marching import MarchDesign
from soakd.workloads.memory.tasks import MemoryProgram

if TYPE_CHECKING:
    from soakd.workloads.classes import InstructionClass


def build(target: InstructionClass, *, text: str | None = None) -> MemoryProgram:
    """Compile the sweeps for one class; `text` replaces them (a test's broken variant)."""
    return MemoryProgram(MarchDesign("reread", march.REREAD, target), target, text=text)
