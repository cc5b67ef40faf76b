"""The OpenBLAS that this process has loaded: which one it is, what it takes the core for, and one thread only."""

from __future__ import annotations

import ctypes
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final

from soakd.errors import WorkloadError

if TYPE_CHECKING:
    from collections.abc import Mapping

CLASS_OF_CORE: Final[Mapping[str, str]] = MappingProxyType(
    {
        "haswell": "vector-256-fma",
        "zen": "vector-256-fma",
        "skylakex": "vector-512",
        "cooperlake": "vector-512",
        "sapphirerapids": "vector-512",
    }
)
"""Core type to the class whose registers its double-precision product uses (OpenBLAS, kernel/x86_64/KERNEL.*)."""
_MAPS: Final = "/proc/self/maps"


@dataclass(frozen=True, slots=True, kw_only=True)
class Blas:
    """What the library says of itself."""

    version: str
    core: str
    threads: int


def loaded_library(maps: str = _MAPS) -> str | None:
    """The file of the OpenBLAS that is loaded, if one is (proc(5))."""
    with open(maps, encoding="utf-8", errors="replace") as lines:  # noqa: PTH123  (streamed, may be long)
        paths = (line.split(None, 5)[-1].strip() for line in lines if "openblas" in line.lower())
        return next((path for path in paths if path.startswith("/")), None)


def alone() -> Blas:
    """Hold the loaded library to one thread. Raises WorkloadError if there is none, or it will not be held."""
    path = loaded_library()
    if path is None:
        raise WorkloadError(
            "numpy's products here are not OpenBLAS's: which registers they use is not known",
            hint="the numpy of the Python Package Index brings OpenBLAS with it",
        )
    library = ctypes.CDLL(path)
    _function(library, "set_num_threads")(1)
    config, core = (_text(library, name) for name in ("get_config", "get_corename"))
    blas = Blas(version=" ".join(config.split()[:2]), core=core, threads=int(_function(library, "get_num_threads")()))
    if blas.threads != 1:
        raise WorkloadError(f"{blas.version} insists on {blas.threads} threads; one core would load the others")
    return blas


def _function(library: ctypes.CDLL, name: str) -> Any:
    """Builds for Python carry a prefix, and those with 64-bit integers a suffix."""
    for prefix in ("scipy_", ""):
        for suffix in ("64_", ""):
            found = getattr(library, f"{prefix}openblas_{name}{suffix}", None)
            if found is not None:
                return found
    raise WorkloadError(f"the OpenBLAS that is loaded has no {name}")


def _text(library: ctypes.CDLL, name: str) -> str:
    function = _function(library, name)
    function.restype = ctypes.c_char_p
    return str(function().decode("ascii", "replace"))
