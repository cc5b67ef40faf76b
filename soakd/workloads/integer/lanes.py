"""Integer workload: SIMD integer lanes that keep multiplier, shifter and adder lanes busy at once, all in registers.

Two maps side by side, on every 64-bit lane of a register:

 - multiply with carry: x -> a * (x modulo 2^32) + floor(x / 2^32), a 32-by-32-bit multiplication, a shift and an
   addition (G. Marsaglia, "Random number generators", J. Mod. Appl. Stat. Methods 2 (2003) 2-13).  With
   m = a * 2^32 - 1, x' = a*x modulo m: let x = c * 2^32 + v; a*x = a * 2^32 * c + a*v, and a * 2^32 is 1 modulo m.
   From 0 < x < m follows 0 < x' < m, so the state is the residue itself, and after N steps it is a^N * x modulo m.
   a is a unit modulo m (2^32 is its inverse): a bijection of those states.
   An upset may leave them.  No 64-bit word overflows the map, (a + 1) * (2^32 - 1) < 2^64, and it keeps the residue of
   every word; because m > 2^63, a wrong word has the right residue only if it is off by exactly m, which no single
   wrong bit is (own derivation).
 - xorshift: x ^= x << 13; x ^= x >> 7; x ^= x << 17, linear over GF(2) and invertible (`binary.xorshift_after`).

Ten vectors of the first to one of the second: 36 operations, ten of them multiplications.  Four pipes, two of which
multiply and two of which shift, need nine cycles for them.  Every lane of a register has its own a.
"""

from __future__ import annotations

import secrets
from typing import TYPE_CHECKING, Final

from soakd.workloads.chain import ChainProgram, unequal
from soakd.workloads.integer.binary import SHIFTS, xorshift_after
from soakd.workloads.integer.looping import loop_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.workloads.base import Fault
    from soakd.workloads.classes import InstructionClass

CARRIED: Final = 10
"""Vectors that multiply with carry, to each that shifts."""
CARRY_OPERATIONS: Final = 3
SHIFT_OPERATIONS: Final = 6
UNROLL: Final = 4
_HALF: Final = 1 << 32
_GROUPS: Final = {"vector-128": 1, "vector-128-fma": 2, "vector-256-fma": 1, "vector-512": 2}
"""Groups of ten and one: as many as the class's 16 or 32 registers hold beside the multipliers and temporaries."""


def _all(lanes: int, value: int) -> str:
    return f"<{', '.join([f'i64 {value}'] * lanes)}>"


def _carry_step(kind: str, lanes: int, x: str, name: str) -> list[str]:
    low, by = _all(lanes, _HALF - 1), _all(lanes, 32)
    return [
        f"%v{name} = and {kind} {x}, {low}",
        f"%a{name} = and {kind} %k0, {low}",
        f"%av{name} = mul {kind} %v{name}, %a{name}",
        f"%c{name} = lshr {kind} {x}, {by}",
        f"%x{name} = add {kind} %av{name}, %c{name}",
    ]


def _shift_step(kind: str, lanes: int, x: str, name: str) -> list[str]:
    lines = []
    for turn, (direction, by) in enumerate(zip(("shl", "lshr", "shl"), SHIFTS, strict=True)):
        shifted, after = f"%s{name}_{turn}", f"%x{name}" if turn == 2 else f"%x{name}_{turn}"
        lines += [f"{shifted} = {direction} {kind} {x}, {_all(lanes, by)}", f"{after} = xor {kind} {x}, {shifted}"]
        x = after
    return lines


class Lanes:
    """The chain for one class."""

    steps_per_count = UNROLL

    def __init__(self, target: InstructionClass) -> None:
        self.name = f"integer/lanes ({target.name})"
        self.lanes = target.register_bits // 64
        self.shifted = _GROUPS[target.name]
        self.carried = CARRIED * self.shifted
        self.state_words = (self.carried + self.shifted) * self.lanes
        self.operations_per_step = self.lanes * (CARRY_OPERATIONS * self.carried + SHIFT_OPERATIONS * self.shifted)

    def _step(self, state: Sequence[str], tag: str) -> tuple[list[str], list[str]]:
        """Each multiply whole, the longer shift chains spread evenly among them."""
        kind, lanes = f"<{self.lanes} x i64>", self.lanes
        names = [f"{tag}_{i}" for i in range(len(state))]
        chains = [_shift_step(kind, lanes, state[i], names[i]) for i in range(self.carried, len(state))]
        shifts = [line for row in zip(*chains, strict=True) for line in row]
        lines: list[str] = []
        for i in range(self.carried):
            lines += _carry_step(kind, lanes, state[i], names[i])
            lines += shifts[len(shifts) * i // self.carried : len(shifts) * (i + 1) // self.carried]
        return lines, [f"%x{name}" for name in names]

    def text(self) -> str:
        return loop_text(
            f"<{self.lanes} x i64>", state=self.carried + self.shifted, constants=1, unroll=UNROLL, step=self._step
        )

    def block(self, carried: Sequence[int], shifted: Sequence[int], multipliers: Sequence[int]) -> list[int]:
        """As the kernel has them, vector after vector."""
        return [*carried, *shifted, *multipliers]

    def fresh(self) -> list[int]:
        multipliers = [_HALF // 2 + 1 + secrets.randbelow(_HALF // 2 - 1) for _ in range(self.lanes)]
        moduli = [a * _HALF - 1 for a in multipliers]
        carried = [1 + secrets.randbelow(moduli[i % self.lanes] - 1) for i in range(self.carried * self.lanes)]
        shifted = [1 + secrets.randbelow((1 << 64) - 1) for _ in range(self.shifted * self.lanes)]
        return self.block(carried, shifted, multipliers)

    def known(self) -> list[int]:
        """The largest multipliers and states."""
        multipliers = [_HALF - 1 - i for i in range(self.lanes)]
        moduli = [a * _HALF - 1 for a in multipliers]
        carried = [moduli[i % self.lanes] - 1 - i for i in range(self.carried * self.lanes)]
        shifted = [(1 << 64) - 1 - i for i in range(self.shifted * self.lanes)]
        return self.block(carried, shifted, multipliers)

    def after(self, block: Sequence[int], steps: int) -> list[int]:
        """The state after `steps`, in closed form."""
        multipliers = block[self.state_words :]
        moduli = [a * _HALF - 1 for a in multipliers]
        powers = [pow(a, steps, m) for a, m in zip(multipliers, moduli, strict=True)]
        first_shifted = self.carried * self.lanes
        carried = [powers[i % self.lanes] * x % moduli[i % self.lanes] for i, x in enumerate(block[:first_shifted])]
        return [*carried, *xorshift_after(block[first_shifted : self.state_words], steps)]

    def faults(self, block: Sequence[int], steps: int, found: Sequence[int]) -> list[Fault]:
        return unequal(self.after(block, steps), found, lambda word: f"lane {word}")


def build(target: InstructionClass, *, text: str | None = None) -> ChainProgram:
    """Compile the kernel for one class; `text` replaces it (a test's broken variant)."""
    return ChainProgram(Lanes(target), target, text=text)
