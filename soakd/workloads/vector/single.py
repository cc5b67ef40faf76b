"""Vector workload: the modular lanes in single precision, twice as many to a register as in `lanes`.

The recipes and the proof of their exactness are those of `residues` with a significand of 24 bits; two lanes share one
64-bit word of the state, so a word has two places where it can be wrong.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.workloads.chain import ChainProgram
from soakd.workloads.vector.lanes import Lanes
from soakd.workloads.vector.residues import FUSED_SINGLE, SEPARATE_SINGLE

if TYPE_CHECKING:
    from soakd.workloads.classes import InstructionClass


def chain_of(target: InstructionClass) -> Lanes:
    """The chain for one class."""
    return Lanes(target, name="single", recipe=FUSED_SINGLE if target.fused else SEPARATE_SINGLE)


def build(target: InstructionClass, *, text: str | None = None) -> ChainProgram:
    """Compile the kernel for one class; `text` replaces it (a test's broken variant)."""
    return ChainProgram(chain_of(target), target, text=text)
