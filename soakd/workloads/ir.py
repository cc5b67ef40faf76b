"""From LLVM IR text to a callable kernel, with the digest of exactly the bytes that run.

The object code is emitted first, its SHA-256 taken, and those bytes are loaded; nothing is compiled twice.  Kernels
take one pointer to 64-bit parameters and a count, and return nothing: all results are in memory the caller owns.
"""

from __future__ import annotations

import ctypes
import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Final, cast

from llvmlite import binding

from soakd.errors import WorkloadError
from soakd.workloads.classes import InstructionClass, architecture

Kernel = Callable[[int, int], None]
"""A compiled kernel: address of its parameters, count of steps."""

_PROTOTYPE: Final = ctypes.CFUNCTYPE(None, ctypes.c_void_p, ctypes.c_uint64)
_TRIPLES: Final = {"x86-64": "x86_64-unknown-linux-gnu", "aarch64": "aarch64-unknown-linux-gnu"}
_OPTIMISATION: Final = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Compiled:
    """One module of kernels in native code; each kernel keeps the engine that owns its code alive."""

    digest: str
    """SHA-256 (hex) of the object code."""
    kernels: dict[str, Kernel]


@cache
def _prepare_compiler() -> None:
    binding.initialize_all_targets()
    binding.initialize_all_asmprinters()
    binding.initialize_native_asmparser()


def _machine(target: InstructionClass, where: str) -> Any:
    _prepare_compiler()
    # The large code model: nothing promises that the loader puts code and constants within 2 GiB of each other.
    return binding.Target.from_triple(_TRIPLES[where]).create_target_machine(
        cpu=target.cpu_names[where], features=target.features, opt=_OPTIMISATION, reloc="static", codemodel="large"
    )


def _parse(text: str, where: str) -> Any:
    try:
        module = binding.parse_assembly(f'target triple = "{_TRIPLES[where]}"\n{text}')
        module.verify()
    except RuntimeError as error:
        raise WorkloadError(f"a kernel's text is not valid: {error}") from error
    return module


def assembly(text: str, target: InstructionClass, where: str) -> str:
    """Return the assembly that `text` compiles to for one class on one architecture (not only this one)."""
    machine = _machine(target, where)
    return str(machine.emit_assembly(_parse(text, where)))


def compile_kernels(text: str, target: InstructionClass, names: Sequence[str]) -> Compiled:
    """Compile `text` for this architecture and make the functions called `names` callable."""
    where = architecture()
    if where not in target.cpu_names:
        raise WorkloadError(f"instruction class {target.name!r} does not exist on {where}")
    code = _machine(target, where).emit_object(_parse(text, where))
    engine = binding.create_mcjit_compiler(_parse("", where), _machine(target, where))
    engine.add_object_file(binding.ObjectFileRef.from_data(code))
    engine.finalize_object()
    addresses = {name: engine.get_function_address(name) for name in names}
    absent = [name for name, address in addresses.items() if not address]
    if absent:
        raise WorkloadError(f"compiled code lacks {', '.join(absent)}")
    kernels = {name: _callable(address, engine) for name, address in addresses.items()}
    return Compiled(digest=hashlib.sha256(code).hexdigest(), kernels=kernels)


def _callable(address: int, engine: Any) -> Kernel:
    kernel: Any = _PROTOTYPE(address)
    # The engine frees the code when it goes: whoever holds a kernel must hold the engine with it.
    kernel.engine = engine
    return cast("Kernel", kernel)
