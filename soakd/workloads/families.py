"""Core families whose pipes are known: a kernel's limit in operations per cycle, and the issue order that suits them.

A family is what CPUID shows (Intel SDM vol. 2, CPUID leaf 1; AMD APM vol. 3, appendix E): vendor, family and a range of
models. A figure is the number of operations of one step over the cycles that its busiest pipe needs for them; the
reasoning stands beside each. Pipe counts are from the makers' optimisation guides, from memory, and agree with what was
measured. On a core of no known family no share is given: cycles are measured all the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """Cores with the same pipes."""

    vendor: str
    family: int
    models: tuple[range, ...]
    operations_per_cycle: Mapping[tuple[str, str], float]
    """By kernel and instruction class."""
    issue_order: str | None = None
    """For integer/streams; where none is known, one is searched for on the machine (`integer.order`)."""


_MATRIX: Final = 2 * 36 * 36 * 24
"""Operations of a whole matrix step; its fused instructions are (36^2 + 2 * 36) * (24 / lanes), on two pipes."""

FAMILIES: Final = (
    # Two multiply(-add) and two add pipes of 256 bits, 512 bits in two turns; four integer adders, one multiplier.
    Family(
        vendor="AuthenticAMD",
        family=25,
        models=(range(0x10, 0x20), range(0x60, 0x80), range(0xA0, 0xB0)),
        operations_per_cycle=MappingProxyType(
            {
                ("integer/streams", "scalar"): 4.0,  # 24 operations in 6 cycles of four adders, one of which multiplies
                ("integer/wide", "scalar"): 35 / 15,  # three multiplies a stream and step, one per cycle
                ("integer/products", "scalar"): 20 / 10,  # two multiplies a pair of streams, one per cycle
                ("integer/division", "scalar"): 16 / 48,  # 12 cycles for each of four divisions, measured alone
                ("integer/lanes", "vector-128"): 72 / 9,  # 36 instructions for four pipes
                ("integer/lanes", "vector-256-fma"): 144 / 9,
                ("integer/lanes", "vector-512"): 576 / 36,  # twice the vectors, each in two turns
                ("vector/lanes", "vector-128"): 8.0,  # 3 multiplies, 3 adds in 1.5 cycles; 6 operations on 2 lanes
                ("vector/lanes", "vector-256"): 16.0,
                ("vector/lanes", "vector-256-fma"): 18.0,  # 4 on the multiply pipes in 2 cycles; 9 on 4 lanes
                ("vector/lanes", "vector-512"): 18.0,
                ("vector/single", "vector-128"): 16.0,  # the same instructions on twice as many numbers
                ("vector/single", "vector-256"): 32.0,
                ("vector/single", "vector-256-fma"): 36.0,
                ("vector/single", "vector-512"): 36.0,
                ("vector/pipes", "vector-256-fma"): 16.0,
                ("vector/pipes", "vector-512"): 16.0,
                ("vector/roots", "vector-128"): 20
                / 13.6,  # 10 on 2 lanes; divide 4.6 and root 9 cycles, measured alone
                ("vector/roots", "vector-256"): 40 / 13.6,
                ("vector/roots", "vector-256-fma"): 40 / 13.6,
                ("vector/roots", "vector-512"): 80 / 25.0,  # divide 9 and root 16 cycles, measured alone
                ("vector/matrix", "vector-256-fma"): _MATRIX / 4104,
                ("vector/matrix", "vector-512"): _MATRIX / 4104,
                ("vector/large", "vector-256-fma"): 16.0,  # two fused multiply-adds of 4 lanes
                ("vector/large", "vector-512"): 16.0,
            }
        ),
    ),
    # Three vector pipes up to 256 bits, two of 512 bits, each of them multiplies and adds; integer multiplies on one.
    Family(
        vendor="GenuineIntel",
        family=6,
        models=(range(0x8F, 0x90), range(0xCF, 0xD0)),
        operations_per_cycle=MappingProxyType(
            {
                ("integer/streams", "scalar"): 4.0,  # six multiplies a step on one pipe: 24 operations in 6 cycles
                ("integer/wide", "scalar"): 35 / 15,  # three multiplies a stream and step
                ("integer/products", "scalar"): 20 / 10,  # two multiplies a pair of streams
                ("integer/division", "scalar"): 16 / 40,  # 10 cycles for each of four divisions, measured alone
                ("integer/lanes", "vector-128"): 72 / 12,  # 36 instructions for three pipes
                ("integer/lanes", "vector-256-fma"): 144 / 12,
                ("integer/lanes", "vector-512"): 576 / 36,  # 72 for two pipes, one of which shifts
                ("vector/lanes", "vector-128"): 6.0,  # 6 instructions in 2 cycles; 6 operations on 2 lanes
                ("vector/lanes", "vector-256"): 12.0,
                ("vector/lanes", "vector-256-fma"): 18.0,  # 6 instructions in 2 cycles; 9 operations on 4 lanes
                ("vector/lanes", "vector-512"): 24.0,  # 6 instructions in 3 cycles; 9 operations on 8 lanes
                ("vector/single", "vector-128"): 12.0,
                ("vector/single", "vector-256"): 24.0,
                ("vector/single", "vector-256-fma"): 36.0,
                ("vector/single", "vector-512"): 48.0,
                ("vector/pipes", "vector-256-fma"): 12.0,  # 6 instructions in 2 cycles; 6 operations on 4 lanes
                ("vector/pipes", "vector-512"): 16.0,
                ("vector/roots", "vector-128"): 20 / 10,  # divide 4 and root 6 cycles, measured alone
                ("vector/roots", "vector-256"): 40 / 20,
                ("vector/roots", "vector-256-fma"): 40 / 20,
                ("vector/roots", "vector-512"): 80 / 40,
                ("vector/matrix", "vector-256-fma"): _MATRIX / 4104,
                ("vector/matrix", "vector-512"): _MATRIX
                / 2484,  # 1080 additions compete with 3888 fused: no pipe apart
            }
        ),
        issue_order="067816782678367845012345",  # the shipped one: no search found one that is faster by 1 %
    ),
)


def cpuinfo() -> dict[str, str]:
    """The first processor of /proc/cpuinfo (proc(5)); empty where there is none."""
    try:
        with open("/proc/cpuinfo", encoding="utf-8", errors="replace") as lines:  # noqa: PTH123 - workers load this
            first = lines.read().split("\n\n", 1)[0]
    except OSError:
        return {}
    pairs = (line.partition(":") for line in first.splitlines())
    return {name.strip(): value.strip() for name, _, value in pairs}


def family_of(shown: Mapping[str, str]) -> Family | None:
    """The family of a core that shows vendor_id, cpu family and model like this; None if it is not known here."""
    try:
        vendor, family, model = shown["vendor_id"], int(shown["cpu family"]), int(shown["model"])
    except (KeyError, ValueError):
        return None
    for known in FAMILIES:
        if (known.vendor, known.family) == (vendor, family) and any(model in models for models in known.models):
            return known
    return None


def limit(workload: str, instruction_class: str, family: Family | None) -> float | None:
    """Operations per cycle at the limit; None if that is not known."""
    return family.operations_per_cycle.get((workload, instruction_class)) if family else None
