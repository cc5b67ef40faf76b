"""The course of one drill in a real run: its moment, the injection, what follows, the end."""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from soakd.crew.wire import PlantedFlip
from soakd.model.verdict import Verdict
from soakd.service import bench
from soakd.service.drill.drills import USUAL_S
from soakd.service.drill.live import END_S, Live
from soakd.service.drill.play import DRIVE, VERDICT, Stage, play, play_next_start
from soakd.service.drill.plugins import plugin
from soakd.service.drill.seen import Seen
from soakd.service.drill.tree import Tree
from soakd.service.foreground import Request

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from soakd.clock import Clock
    from soakd.service.drill.drills import LiveDrill

_FLIPPED_ROUND: Final = 2
"""Counted from one."""
_FLIPPED_BIT: Final = 12_345


def run_live(drill: LiveDrill, folder: Path, clock: Clock, *, issue_order: bytes | None) -> Seen:
    """In a folder of its own. Nothing of the run is left afterwards."""
    home = folder / DRIVE / "state" if drill.small_drive else folder / "state"
    tree = Tree(folder / "made", drill.parts)
    stage = Stage(folder=folder, home=home, tree=tree, small_drive=drill.small_drive, issue_order=issue_order)
    started = play(_request(drill, folder), stage, apart=drill.apart)
    with closing(Live(*started, folder=folder, tree=tree, clock=clock)) as live:
        seen = _course(drill, live)
    if drill.judged_by != "the run":
        started = play_next_start(stage, new_boot=drill.judged_by == "the next boot")
        with closing(Live(*started, folder=folder, tree=tree, clock=clock)) as live:
            live.wait(live.ended, END_S)
    return _with_verdict(drill, seen, live, folder / VERDICT)


def _course(drill: LiveDrill, live: Live) -> Seen:
    if not live.reached(drill.moment):
        why = "; ".join(word["why"] for word in live.said("refused"))
        return Seen(odd=why or f"the {drill.moment} never came")
    live.mark()
    drill.inject(live)
    came = live.wait(lambda: _noticed(drill, live), max(USUAL_S, drill.most_s))
    latency_s = live.since_s()
    drill.after(live)
    if not (came and live.wait(live.ended, END_S)):
        return Seen(latency_s=latency_s if came else None)
    return Seen(latency_s=latency_s, left=len(live.left()))


def _noticed(drill: LiveDrill, live: Live) -> bool:
    if drill.until == "load gone":
        return live.load_gone()
    return live.ended() if drill.until == "verdict" else live.heard("found", rule=drill.rule) > 0


def _with_verdict(drill: LiveDrill, seen: Seen, live: Live, file: Path) -> Seen:
    try:
        verdict = Verdict.model_validate_json(file.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return seen
    latency_s = _of_flip(live) if drill.flip and seen.latency_s is not None else seen.latency_s
    return replace(seen, verdict=verdict, latency_s=latency_s)


def _of_flip(live: Live) -> float | None:
    """From the end of the core's last right round to the load gone: the bit was flipped in between."""
    core, right = str(_flipped_core()), _FLIPPED_ROUND - 1
    rounds = [tick["rounds"].get(core, (0, 0.0)) for tick in live.said("tick")]
    begun_s = next((until_s for count, until_s in reversed(rounds) if count == right), None)
    moments = [word["run_s"] for what in ("stage-started", "load-stopped") for word in live.said(what)]
    return None if begun_s is None or len(moments) != 2 else moments[1] - moments[0] - begun_s


def _flipped_core() -> int:
    return bench.cores()[-1]


def _request(drill: LiveDrill, folder: Path) -> Request:
    plan = folder / "plan.toml"
    plan.write_text("\n".join(_plan(drill)), encoding="utf-8")
    flip = PlantedFlip(workload=drill.flip, core=_flipped_core(), round=_FLIPPED_ROUND, bit=_FLIPPED_BIT)
    return Request(
        plan=str(plan),
        drill=True,
        flip=flip if drill.flip else None,
        plugins=(plugin(drill.plugin, folder),) if drill.plugin else (),
    )


def _plan(drill: LiveDrill) -> Iterator[str]:
    """Little of the load has to be checked: what else runs on this machine meanwhile is no matter of a drill."""
    yield f'version = 1\nname = "Drill: {drill.name}"\ncoverage-floor = "50 %"\n[guard]\n{drill.guard}'
    if drill.limit:
        yield f"[[limit]]\n{drill.limit}"
    for number, stage in enumerate(drill.stages, start=1):
        yield f'[[stage]]\nname = "Stage {number}"\n{stage}'
