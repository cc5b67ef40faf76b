"""The record of a run on the virtual bench: resolved and refused as one on a real bench is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from soakd.clock import utc_text
from soakd.config.files import refuse_misfits, refuse_sheet
from soakd.errors import ConfigError
from soakd.model.channels import Channel, Role
from soakd.model.corelist import ranges
from soakd.model.snapshot import Snapshot
from soakd.model.snapshot_parts import Topology
from soakd.rules.bounds import resolve
from soakd.rules.gather import probe_channel
from soakd.rules.plan_check import misfits
from soakd.rules.sheet_check import check
from soakd.service.resolved import recorded, seeded
from soakd.virtual.bench import Bench, cores_of
from soakd.virtual.sensors import VirtualSource
from soakd.virtual.timeline import Timeline
from soakd.workloads.classes import CLASSES
from soakd.workloads.kinds import KINDS

if TYPE_CHECKING:
    from soakd.model.plan import Plan
    from soakd.model.run import RunRecord
    from soakd.model.sheet import Sheet
    from soakd.model.virtual import VirtualBench

_ARCHITECTURE: Final = "x86-64"
"""Of the virtual bench."""


def draft(plan: Plan, sheet: Sheet | None, about: VirtualBench, *, plan_file: str, seed: int) -> RunRecord:
    """The record of a run on the virtual bench, checked as one on a real bench is."""
    snapshot = virtual_snapshot(about, sheet)
    cores = tuple(range(snapshot.logical_cores))
    classes = virtual_classes(about)
    refuse_misfits(plan_file, misfits(plan, bench_cores=cores, classes=classes))
    _refuse_strangers(about, cores_of(about, sheet), len(cores))
    channels = [*VirtualSource(Bench(about, sheet), Timeline()).channels()]
    channels += [Channel(name=probe_channel(core), role=Role.PROBED_CLOCK) for core in cores]
    bounds, cautions = resolve(plan, channels)
    if sheet is not None:
        refuse_sheet(sheet, check(sheet, snapshot))
    return recorded(
        seeded(plan, lambda: seed % 2**32),
        sheet,
        snapshot,
        classes=classes,
        cores=cores,
        channels=channels,
        run_id="rehearsal",
        started_utc=utc_text(Timeline().wall()),
        drill=False,
        bounds=bounds,
        cautions=cautions,
    )


def virtual_snapshot(about: VirtualBench, sheet: Sheet | None) -> Snapshot:
    """What a system would show of the virtual bench; the second threads of all cores come after the first ones."""
    cores = cores_of(about, sheet)
    declared = sheet.processor.threads if sheet is not None and sheet.processor.cores_on is None else None
    threads = about.processor.threads or declared or cores
    siblings = tuple(ranges({core, *range(core, threads, cores)}) for core in range(cores))
    return Snapshot(
        machine="virtual",
        logical_cores=threads,
        cores_allowed=ranges(range(threads)),
        topology=Topology(siblings=siblings),
        memory_total_mib=32_768,
        swap_total_mib=0,
        kernel="none",
        boot_id="rehearsal",
    )


def virtual_classes(about: VirtualBench) -> dict[str, tuple[str, ...]]:
    """Kernel to the instruction classes that the virtual processor has for it, narrowest first."""
    known = [name for name, each in CLASSES.items() if _ARCHITECTURE in each.cpu_names]
    here = known[: known.index(about.processor.widest) + 1]
    return {
        f"{kind.name}/{name}": tuple(each for each in here if each in entry.classes)
        for kind in KINDS.values()
        for name, entry in kind.kernels.items()
    }


def _refuse_strangers(about: VirtualBench, cores: int, threads: int) -> None:
    """Weak cores and cores that hang must exist. Raises ConfigError."""
    for key, core, most in (
        *(("silicon: weak: core", weak.core, cores) for weak in about.silicon.weak),
        *(("fault: core", fault.core or 0, threads if fault.what == "core-hangs" else cores) for fault in about.faults),
    ):
        if core >= most:
            wanted = f"no such core: this virtual bench has 0 to {most - 1}"
            raise ConfigError(file=about.name, key=key, value=str(core), wanted=wanted)
