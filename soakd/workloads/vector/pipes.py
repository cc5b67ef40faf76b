"""Vector workload: multiplies and adds in equal numbers, so that every floating-point pipe of the core is busy at once.

A fused multiply-add leaves a core's separate adders idle.  This is `lanes` in the recipe without fused operations
(three multiplies and three additions per step, exact as shown in `residues`) for the classes that would fuse; the
others run that recipe in `lanes` already.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.workloads.chain import ChainProgram
from soakd.workloads.vector.lanes import Lanes
from soakd.workloads.vector.residues import SEPARATE

if TYPE_CHECKING:
    from soakd.workloads.classes import InstructionClass


def chain_of(target: InstructionClass) -> Lanes:
    """The chain for one class."""
    return Lanes(target, name="pipes", recipe=SEPARATE)


def build(target: InstructionClass, *, text: str | None = None) -> ChainProgram:
    """Compile the kernel for one class; `text` replaces it (a test's broken variant)."""
    return ChainProgram(chain_of(target), target, text=text)
