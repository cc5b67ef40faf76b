"""For `soakd workloads measure`: how fast each kernel runs, on one core and on all at once, against known limits."""

from __future__ import annotations

from dataclasses import asdict, replace
from functools import partial
from typing import TYPE_CHECKING, Final

from soakd.crew.capacity import CACHES, available_memory_bytes, last_level_cache_bytes
from soakd.crew.measuring import CopyProgram, Fork, deadline_s, measured
from soakd.errors import UsageError
from soakd.model.throughput import CoreSpeed, Throughput
from soakd.service import bench
from soakd.workloads import catalog
from soakd.workloads.classes import WIDEST
from soakd.workloads.clockprobe import probe_here
from soakd.workloads.families import cpuinfo, family_of, limit
from soakd.workloads.kinds import KINDS, MEMORY

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

_SHARE_BYTES: Final = 256 << 20
_MOST_OF_FREE: Final = 0.25


def wanted(names: Sequence[str], instruction_class: str | None) -> list[tuple[str, str]]:
    """Kernels and classes that this core has, of the kinds or kernels named (all, if none is). Raises UsageError."""
    pairs = []
    unknown = [name for name in names if name not in {*KINDS, *catalog.workloads()}]
    if unknown:
        raise UsageError(f"there is no workload {unknown[0]!r}", hint=f"there are: {', '.join(catalog.workloads())}")
    for workload, here in bench.classes().items():
        named = not names or workload in names or workload.partition("/")[0] in names
        allowed = here[-1:] if instruction_class == WIDEST else here
        pairs += [(workload, name) for name in allowed if named and instruction_class in {None, WIDEST, name}]
    if not pairs:
        raise UsageError("nothing of that can be measured here", hint="`soakd workloads list` shows what can")
    return pairs


def measure(
    pairs: Sequence[tuple[str, str]], cores: Sequence[int], rounds: int, issue_order: str | None = None
) -> Iterator[Throughput]:
    """One after the other. Raises WorkloadError when a kernel is wrong or a worker fails.

    Each is built in a process of its own: a library can be loaded for one class only.
    """
    share = share_bytes(len(cores))
    copied: tuple[float, float] | None = None
    for workload, name in pairs:
        if _moves_only(workload) and copied is None:
            copied = _copied(cores, rounds, share)
        speeds = partial(_speeds, workload, name, cores, rounds, share, issue_order)
        one, every = Fork(speeds).answer(3.0 * deadline_s(rounds))
        row = Throughput(
            workload=workload,
            instruction_class=name,
            unit=catalog.kind_of(workload).unit,
            one=CoreSpeed(**one),
            every=tuple(CoreSpeed(**core) for core in every),
            limit_per_cycle=limit(workload, name, family_of(cpuinfo())),
        )
        yield _against(row, copied) if copied and _moves_only(workload) else row


def _speeds(
    workload: str, name: str, cores: Sequence[int], rounds: int, share: int, issue_order: str | None
) -> list[object]:
    """One core's, and all cores' at once."""
    program, probe = catalog.build(workload, name, issue_order=issue_order), probe_here()
    program.selfcheck()
    (one,) = measured(program, cores[:1], probe, rounds=rounds, memory_bytes=share)
    every = measured(program, cores, probe, rounds=rounds, memory_bytes=share)
    return [asdict(one), [asdict(core) for core in every]]


def _moves_only(workload: str) -> bool:
    """Whether its rate can be held against a copy's."""
    return catalog.kind_of(workload) is MEMORY


def _against(row: Throughput, copied: tuple[float, float]) -> Throughput:
    """With its ratios to a copy's rates."""
    together = sum(core.best_per_second for core in row.every)
    return replace(row, times_copy=row.one.best_per_second / copied[0], times_copy_every=together / copied[1])


def share_bytes(cores: int) -> int:
    """Per core: together well beyond the last cache, and no more than a quarter of what is free."""
    wanted_bytes = max(_SHARE_BYTES, CACHES * last_level_cache_bytes() // cores)
    return min(wanted_bytes, int(available_memory_bytes() * _MOST_OF_FREE) // cores)


def _copied(cores: Sequence[int], rounds: int, share: int) -> tuple[float, float]:
    """Bytes per second of numpy.copyto: one core, all at once."""
    (one,) = measured(CopyProgram(), cores[:1], None, rounds=rounds, memory_bytes=share)
    every = measured(CopyProgram(), cores, None, rounds=rounds, memory_bytes=share)
    return one.best_per_second, sum(core.best_per_second for core in every)
