"""Vector workload: modular lanes that pass through the square root and the divider in every step.

Per step, in double precision, with v, a and y as in the separate recipe of `residues` (y = a*v reduced modulo p):

    s = y*y;  r = sqrt(s);  t = r*r;  v' = t / y

Exact: |y| <= (p + 3)/2 < 2^26 + 1 is an integer, so s <= 2^52 + 2^27 + 1 < 2^53 has no rounding.  IEEE 754-2019
(5.4.1, rounding in 4.3) requires square root and division to return the infinitely precise result rounded, hence a
result that is representable exactly: r = |y|, t = s, v' = s/y = y with its sign.  y is never 0, because a and the
first v are not 0 modulo the prime p and |y| < p.  The state evolves as in `lanes` and has the closed form of it.

A wrong root or quotient is not absorbed.  Let y = m * 2^e, 1 <= m < 2, and let r be off by k != 0 units in its last
place.  Then r*r is off by 2m*k of t's units where m*m < 2 and by m*k where not; after rounding, t by at least two or
at least one.  t/y is off by 1/m or 2/m of y's units for each of them: by more than one, so v' is wrong after rounding
too.  A wrong quotient is v' itself.  Both powers are needed: t/y is odd in y and even in r, so that a lost sign shows
and an error of r does not cancel.  A product s off by its last bit may be rounded away by the root; no state is wrong
then.  Root and divider stand at the step's end because a wrong last bit of their operand could be rounded away in
them; a stored v goes through the multiplication first, which loses none.

Own derivation.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from soakd.workloads.chain import ChainProgram
from soakd.workloads.vector.lanes import Lanes, separate_step
from soakd.workloads.vector.residues import SEPARATE

if TYPE_CHECKING:
    from soakd.workloads.classes import InstructionClass

_EXTRA_OPERATIONS: Final = 4


class Roots(Lanes):
    """The chain for one class."""

    def __init__(self, target: InstructionClass) -> None:
        super().__init__(target, name="roots", recipe=SEPARATE)
        self.operations_per_step += self.state_words * _EXTRA_OPERATIONS

    def _declared(self, kind: str, suffix: str) -> list[str]:
        return [f"declare {kind} @llvm.sqrt.{suffix}({kind})"]

    def _step(self, kind: str, suffix: str, i: int) -> list[str]:
        return [
            *separate_step(kind, i),
            f"%s{i} = fmul {kind} %r{i}, %r{i}",
            f"%root{i} = call {kind} @llvm.sqrt.{suffix}({kind} %s{i})",
            f"%t{i} = fmul {kind} %root{i}, %root{i}",
            f"%quotient{i} = fdiv {kind} %t{i}, %r{i}",
        ]


def chain_of(target: InstructionClass) -> Roots:
    """The chain for one class."""
    return Roots(target)


def build(target: InstructionClass, *, text: str | None = None) -> ChainProgram:
    """Compile the kernel for one class; `text` replaces it (a test's broken variant)."""
    return ChainProgram(chain_of(target), target, text=text)
