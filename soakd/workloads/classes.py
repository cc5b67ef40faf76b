"""Instruction classes: which registers a kernel may use, and which of them this core has.

Kernels are compiled for the fixed processor name of their class, never for "the host": the same compiler then gives
the same bytes on every bench, so that a digest of the object code means something.
"""

from __future__ import annotations

import platform
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from soakd.errors import WorkloadError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

WIDEST: Final = "widest"

_ARCHITECTURES: Final = MappingProxyType(
    {"x86_64": "x86-64", "amd64": "x86-64", "aarch64": "aarch64", "arm64": "aarch64"}
)


@dataclass(frozen=True, slots=True, kw_only=True)
class InstructionClass:
    """One register width and instruction set that a kernel can be built for."""

    name: str
    register_bits: int
    """Width of the registers that the kernel's loop works in."""
    fused: bool
    """Whether multiply and add are one instruction with one rounding."""
    cpu_names: Mapping[str, str]
    """Architecture to the compiler's processor name; an architecture that is absent lacks the class."""
    features: str
    """The compiler's feature string."""
    needs: tuple[str, ...]
    """Processor features, in the compiler's names, without which the class cannot run."""


def _table(*classes: InstructionClass) -> Mapping[str, InstructionClass]:
    return MappingProxyType({entry.name: entry for entry in classes})


CLASSES: Final[Mapping[str, InstructionClass]] = _table(
    InstructionClass(
        name="scalar",
        register_bits=64,
        fused=False,
        cpu_names={"x86-64": "x86-64", "aarch64": "generic"},
        features="",
        needs=(),
    ),
    InstructionClass(
        name="vector-128",
        register_bits=128,
        fused=False,
        cpu_names={"x86-64": "x86-64"},
        features="+sse2",
        needs=("sse2",),
    ),
    InstructionClass(
        name="vector-128-fma",
        register_bits=128,
        fused=True,
        cpu_names={"aarch64": "generic"},
        features="+neon",
        needs=("neon",),
    ),
    InstructionClass(
        name="vector-256",
        register_bits=256,
        fused=False,
        cpu_names={"x86-64": "sandybridge"},
        features="+avx",
        needs=("avx",),
    ),
    InstructionClass(
        name="vector-256-fma",
        register_bits=256,
        fused=True,
        cpu_names={"x86-64": "haswell"},
        features="+avx2,+fma",
        needs=("avx2", "fma", "bmi", "bmi2", "lzcnt", "movbe"),
    ),
    InstructionClass(
        name="vector-512",
        register_bits=512,
        fused=True,
        cpu_names={"x86-64": "skylake-avx512"},
        features="-prefer-256-bit",
        needs=("avx512f", "avx512vl", "avx512bw", "avx512dq", "avx512cd", "avx2", "fma", "bmi", "bmi2", "lzcnt"),
    ),
)
"""Every class soakd knows, narrowest first."""


def architecture() -> str:
    """Return the architecture this process runs on, in the names of `InstructionClass.cpu_names`."""
    machine = platform.machine().lower()
    if machine not in _ARCHITECTURES:
        raise WorkloadError(f"no workload can be built for a {machine!r} processor", hint="x86-64 and aarch64 can")
    return _ARCHITECTURES[machine]


def available() -> tuple[str, ...]:
    """Name the classes that this core and operating system have, narrowest first."""
    from llvmlite import binding  # noqa: PLC0415  (the catalogue must import without the compiler)

    features = binding.get_host_cpu_features()
    here = architecture()
    return tuple(
        entry.name
        for entry in CLASSES.values()
        if here in entry.cpu_names and all(features.get(need, False) for need in entry.needs)
    )


def resolve(kind_classes: Sequence[str], wanted: str) -> str:
    """Turn a wanted class, or "widest", into one that this core has and the workload can be built for."""
    usable = tuple(name for name in available() if name in kind_classes)
    if wanted == WIDEST and usable:
        return usable[-1]
    if wanted in usable:
        return wanted
    known = wanted == WIDEST or wanted in CLASSES
    raise WorkloadError(
        f"instruction class {wanted!r} " + ("is not to be had here" if known else "does not exist"),
        hint=f"this core and workload have: {', '.join(usable) or 'none'}",
    )
