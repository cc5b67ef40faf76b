"""Does drills one after another, and beside them those that mostly wait, each in a scratch folder of its own; keeps the
report of a whole round.
"""

from __future__ import annotations

import os
import signal
import tempfile
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Final

from soakd.clock import utc_text
from soakd.errors import RefusedError, UsageError
from soakd.model.drill import DrillReport, DrillResult
from soakd.sensors.snapshot import boot_id
from soakd.service import bench, tuning
from soakd.service.drill.beside import beside
from soakd.service.drill.catalogue import drills
from soakd.service.drill.drills import LiveDrill, VirtualDrill
from soakd.service.drill.kept import keep
from soakd.service.drill.live import STOPPING
from soakd.service.drill.live_run import run_live
from soakd.service.drill.namespace import refusal
from soakd.service.drill.seen import Seen, not_shown, result_of
from soakd.service.drill.virtual import AT_S

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from soakd.clock import Clock
    from soakd.service.drill.drills import Drill
    from soakd.service.home import Home


_BESIDE_S: Final = 30.0
"""What a run takes besides its stages, at most."""


def chosen(names: Sequence[str]) -> tuple[Drill, ...]:
    """All of them, or those that are named, in their own order. Raises UsageError for a name that is none."""
    known = {drill.name: drill for drill in drills()}
    for name in names:
        if name not in known:
            raise UsageError(f"there is no drill {name!r}", hint="`soakd drill --list` shows what there is")
    return tuple(drill for name, drill in known.items() if not names or name in names)


def perform(
    wanted: Sequence[Drill], home: Home, clock: Clock, told: Callable[[Drill | DrillResult], None]
) -> DrillReport:
    """With the bench lock held throughout; `told` hears of each before and after. Nothing enters the ledger. A report
    of all drills is kept. Raises RefusedError when a run goes on, StoreError when the report cannot be kept.
    """
    bench.require_linux()
    home.make()
    begun_s = clock.monotonic()
    results = []
    waiting = [drill for drill in wanted if isinstance(drill, LiveDrill) and drill.beside]

    def do(drill: Drill) -> DrillResult:
        return _surely_performed(drill, home, clock)

    with _bench(home), _interruptible(), beside(waiting, do) as sent:
        for drill in wanted:
            told(drill)
            results.append(sent[drill.name].result() if drill.name in sent else do(drill))
            told(results[-1])
    report = DrillReport(
        finished_utc=utc_text(clock.wall()),
        soakd_version=version("soakd"),
        kernel=os.uname().release,
        boot_id=boot_id(),
        took_s=round(clock.monotonic() - begun_s, 1),
        results=tuple(results),
    )
    keep(report, home)
    return report


@contextmanager
def _bench(home: Home) -> Iterator[None]:
    with ExitStack() as stack:
        try:
            stack.enter_context(home.bench_lock())
        except RefusedError as error:
            hint = "drills need the bench for themselves: wait for the run to end, or stop the daemon"
            raise RefusedError(error.message, hint=hint) from None
        yield


@contextmanager
def _interruptible() -> Iterator[None]:
    """Every signal that asks for the end ends it as Ctrl-C does, with nothing left behind; main thread only."""
    heard = [number for number in STOPPING if signal.getsignal(number) is not signal.SIG_IGN]
    before = {number: signal.signal(number, signal.default_int_handler) for number in heard}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _surely_performed(drill: Drill, home: Home, clock: Clock) -> DrillResult:
    """One that goes wrong in a way that nobody thought of is missed, and the others are done all the same."""
    try:
        return _performed(drill, home, clock)
    except Exception as error:  # noqa: BLE001 - as said
        return result_of(drill, Seen(odd=f"{type(error).__name__}: {error}"))


def _performed(drill: Drill, home: Home, clock: Clock) -> DrillResult:
    with tempfile.TemporaryDirectory(prefix="soakd-drill-") as folder:
        place = Path(folder).resolve()
        if isinstance(drill, VirtualDrill):
            return result_of(drill, _rehearsed(drill, place))
        if not isinstance(drill, LiveDrill):
            raise TypeError(f"neither live nor virtual: {drill}")
        if len(bench.cores()) < drill.least_cores:
            return not_shown(drill, f"it takes {drill.least_cores} logical cores")
        why = _no_namespace() if drill.needs_namespace else None
        if why is None:
            return result_of(drill, run_live(drill, place, clock, issue_order=_issue_order(home)))
        if drill.stand_in is None:
            return not_shown(drill, why)
        instead = _instead(drill, why)
        return result_of(instead, _rehearsed(instead, place))


@cache
def _no_namespace() -> str | None:
    return refusal()


def _instead(drill: LiveDrill, why: str) -> VirtualDrill:
    if drill.stand_in is None:
        raise TypeError(f"nothing stands in for {drill.name}")
    return VirtualDrill(
        name=drill.name, injected=drill.injected, by=drill.by, rule=drill.rule, outcome=drill.outcome,
        words=drill.words, rehearse=drill.stand_in, at_s=AT_S, why=why,
    )  # fmt: skip


def _rehearsed(drill: VirtualDrill, place: Path) -> Seen:
    """Latencies of the rehearsed time."""
    shown = drill.rehearse(place)
    lasted_s, planned_s = shown.verdict.evidence.duration_s, shown.verdict.plan.duration_s
    told = next((reason.at_s for reason in shown.verdict.reasons if reason.rule == drill.rule), None)
    at_s = shown.ended_s if not drill.rule else told
    seen = Seen(verdict=shown.verdict, latency_s=None if at_s is None else at_s - drill.at_s)
    if not drill.rule and not planned_s <= lasted_s <= planned_s + _BESIDE_S:
        return replace(seen, odd=f"stages of {planned_s:.0f} s lasted {lasted_s:.0f} s, as the verdict says")
    return seen


def _issue_order(home: Home) -> bytes | None:
    """What a search on this machine came to, so that no drill has to search."""
    try:
        return (home.folder / tuning.NAME).read_bytes()
    except OSError:
        return None
