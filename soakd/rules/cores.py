"""Logical cores, as the operating system numbers them, and the physical cores that they are threads of."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.model.corelist import cores_in

if TYPE_CHECKING:
    from soakd.model.snapshot import Snapshot


def physical(snapshot: Snapshot) -> dict[int, int]:
    """Logical core to physical core, counted from 0 in the order of first threads, as in a sheet.

    Where the system does not tell, each logical core that we may use is taken for a core of its own.
    """
    if not snapshot.topology.siblings:
        return {core: core for core in sorted(cores_in(snapshot.cores_allowed))}
    ordered = sorted((cores_in(text) for text in snapshot.topology.siblings), key=min)
    return {core: number for number, cores in enumerate(ordered) for core in sorted(cores)}


def thread_text(snapshot: Snapshot, core: int | None) -> str:
    """“thread of core 2” for a logical core, where cores have more than one; else empty."""
    whole = physical(snapshot)
    threads = core in whole and len(set(whole.values())) < len(whole)
    return f"thread of core {whole[core]}" if threads and core is not None else ""
