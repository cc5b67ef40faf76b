"""Memory workload: March SS at pass level, for every simple fault of one or two cells that reads and writes can show.

Beyond March C-: writes that disturb the cell they do not change, deceptive reads, and couplings by such writes and
reads.  The march and what it needs to reach the array are in `march`.
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
    return MemoryProgram(MarchDesign("ss", march.SS, target), target, text=text)
