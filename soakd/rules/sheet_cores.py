"""Rules of a sheet's core numbers and counts, in themselves and against what the bench has."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from soakd.rules.sheet_fields import active_cores, place_in
from soakd.rules.sheet_finding import refused, warned

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.model.sheet import Sheet
    from soakd.model.snapshot import Snapshot
    from soakd.rules.sheet_finding import SheetFinding

_LIMITS, _CORES, _STEPS = (("clocks", name) for name in ("limits", "cores", "steps-down"))


@dataclass(frozen=True, slots=True)
class _Most:
    """How many cores there can be, and who says so."""

    cores: int
    because: str


def core_findings(sheet: Sheet, snapshot: Snapshot | None) -> Iterator[SheetFinding]:
    """What does not fit."""
    here = bench_cores(snapshot) if snapshot is not None else None
    yield from _threads(sheet)
    if here is not None:
        yield from _as_many_as_the_bench(sheet, here)
    most = _most(sheet, here)
    if most is not None:
        yield from _numbers_exist(sheet, most)
        yield from _counts_exist(sheet, most)
    yield from _switched_on(sheet)


def bench_cores(snapshot: Snapshot) -> int | None:
    """Physical cores that are switched on; None where the system does not tell."""
    return len(snapshot.topology.siblings) or None


def _threads(sheet: Sheet) -> Iterator[SheetFinding]:
    cores, threads = sheet.processor.cores, sheet.processor.threads
    if cores is not None and threads is not None and threads < cores:
        text = f"{cores} cores have at least one each, so {cores} or more"
        yield refused("fewer-threads-than-cores", "processor: threads", text)


def _as_many_as_the_bench(sheet: Sheet, here: int) -> Iterator[SheetFinding]:
    """Where some are switched off, the system shows the others only."""
    processor = sheet.processor
    if processor.cores_on is not None:
        field, declared = "cores-on", len(processor.cores_on)
    elif processor.cores is not None:
        field, declared = "cores", processor.cores
    else:
        return
    if declared > here:
        text = f"the sheet declares {declared}, and this bench has {here}; is this sheet for another bench?"
        yield refused("more-cores-than-bench", f"processor: {field}", text)
    elif declared < here:
        text = f"the sheet declares {declared}, and this bench has {here}; name those that are on under `cores-on`"
        yield refused("bench-shows-otherwise", f"processor: {field}", text)


def _most(sheet: Sheet, here: int | None) -> _Most | None:
    if sheet.processor.cores is not None:
        return _Most(sheet.processor.cores, f"the processor has {sheet.processor.cores} by this sheet")
    return None if here is None or sheet.processor.cores_on is not None else _Most(here, f"this bench has {here}")


def _numbers_exist(sheet: Sheet, most: _Most) -> Iterator[SheetFinding]:
    """Core numbers count from 0."""
    rule = "more-cores-than-bench" if "bench" in most.because else "no-such-core"
    beyond = [core for core in sheet.processor.cores_on or () if core >= most.cores]
    if beyond:
        text = f"no core {', '.join(map(str, beyond))}: {most.because}, counted from 0 to {most.cores - 1}"
        yield refused(rule, "processor: cores-on", text)
    for own in sheet.clocks.cores:
        if own.core >= most.cores:
            text = f"no such core: {most.because}, counted from 0 to {most.cores - 1}"
            yield refused(rule, place_in(_CORES, own, "core"), text)


def _counts_exist(sheet: Sheet, most: _Most) -> Iterator[SheetFinding]:
    """Of active cores; the last limit must reach to all that are on."""
    on = len(sheet.processor.cores_on) if sheet.processor.cores_on is not None else most.cores
    because = f"only {on} are switched on" if on < most.cores else most.because
    rule = "more-cores-than-bench" if "bench" in because else "no-such-core"
    for path, entries in ((_LIMITS, sheet.clocks.limits), (_STEPS, sheet.clocks.steps_down)):
        for entry in entries:
            if entry.active_cores > on:
                text = f"{active_cores(entry.active_cores)} cannot be: {because}"
                yield refused(rule, place_in(path, entry, "active-cores"), text)
    reach = max((entry.active_cores for entry in sheet.clocks.limits), default=on)
    if reach < on:
        text = f"nothing is declared for more than {active_cores(reach)}, and {on} can be; add an entry for {on}"
        yield warned("limits-incomplete", "clocks: limits", text)


def _switched_on(sheet: Sheet) -> Iterator[SheetFinding]:
    on = sheet.processor.cores_on
    for own in sheet.clocks.cores:
        if on is not None and own.core not in on and own.core < (sheet.processor.cores or own.core + 1):
            text = (
                "this core is switched off by `cores-on`, so its ceiling holds nothing; leave it out if that is meant"
            )
            yield warned("core-off", place_in(_CORES, own, "ratio"), text)
