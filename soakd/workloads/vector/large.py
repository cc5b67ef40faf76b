"""Large products: a chain of matrices X -> X*M modulo a prime through the system's tuned library, one core each.

What a core does most in the field is what libraries of this kind make it do: packed panels streaming from the second
and third cache through the widest registers, for minutes.  The products are OpenBLAS's, by way of numpy; reduction,
checks and their derivation are in `products`, which is loaded only here, because OpenBLAS reads how many threads it may
start, and which core type it is to take, from the environment once, when it is loaded.

Which registers are used is the library's choice by core type.  The two classes are offered under which it is known to
use just those of the class; the narrower one is asked of it before it loads, and what it then says it took decides:
a program that would be called one class and run as another is refused.  One process can hold one core type only.
"""

from __future__ import annotations

import os
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from soakd.errors import WorkloadError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from soakd.workloads.classes import InstructionClass
    from soakd.workloads.vector.products import ProductProgram

_ONE_THREAD: Final[Mapping[str, str]] = MappingProxyType({"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"})
_WANTED_CORE: Final[Mapping[str, str]] = MappingProxyType({"vector-256-fma": "Haswell"})
"""Class to the core type that is asked for; the widest class is what the library takes by itself."""


def build(target: InstructionClass, *, text: str | None = None) -> ProductProgram:
    """Load the library and compile the reduction for one class; `text` replaces it (a test's broken variant)."""
    wanted = _WANTED_CORE.get(target.name)
    os.environ.pop("OPENBLAS_CORETYPE", None)
    os.environ.update({**_ONE_THREAD, **({"OPENBLAS_CORETYPE": wanted} if wanted else {})})
    try:
        from soakd.workloads.vector import products  # noqa: PLC0415  (the environment first)
    except ModuleNotFoundError as error:
        raise WorkloadError(f"large products need {error.name}", hint=f"install {error.name} beside soakd") from error
    return products.ProductProgram(target, text=text)
