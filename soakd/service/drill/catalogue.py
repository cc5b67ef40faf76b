"""All drills, in their order."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Final

from soakd.crew.capacity import available_memory_bytes
from soakd.service.drill import injections as do
from soakd.service.drill.catalogue_sensors import clocks, counters, heat, sensors
from soakd.service.drill.drills import LIGHT_LOAD, LIMITER_S, PATIENT_GUARD, SHORT_LOAD, Drill, LiveDrill

if TYPE_CHECKING:
    from collections.abc import Iterator

_MEMORY_BYTES: Final = 64 * 2**20
_LEAST_PERCENT: Final = 0.1
_FLIPPED: Final = ("integer/streams", "vector/lanes", "memory/march", "exchange/counters", "mixed/together")
"""The first kernel of every kind."""


@cache
def drills() -> tuple[Drill, ...]:
    """Named once each."""
    return (
        *_flips(), *_processes(), *_surroundings(),
        *heat(), *sensors(), *counters(_memory_stage()), *clocks(), *_waiting(),
    )  # fmt: skip


def _memory_percent() -> float:
    """Little, of what is available now: a drill does not mind whether the caches answer."""
    return max(_LEAST_PERCENT, round(100.0 * _MEMORY_BYTES / available_memory_bytes(), 1))


def _memory_stage() -> str:
    return _stage("memory/march")


def _stage(kernel: str) -> str:
    share = f'memory = "{_memory_percent():g} %"\n' if kernel.partition("/")[0] in {"memory", "mixed"} else ""
    return f'workload = "{kernel}"\n{share}duration = "10 min"'


def _flips() -> Iterator[Drill]:
    for kernel in _FLIPPED:
        kind = kernel.partition("/")[0]
        yield LiveDrill(
            name=f"wrong-bit-{kind}",
            injected=f"one bit is flipped in {kernel}",
            by="worker",
            rule="wrong-result",
            outcome="fail",
            words=kernel,
            stages=(_stage(kernel),),
            flip=kernel,
            least_cores=2 if kind == "exchange" else 1,
        )


def _processes() -> Iterator[Drill]:
    yield LiveDrill(
        name="worker-killed", injected="SIGKILL to a worker", by="guard", rule="worker-died", outcome="inconclusive",
        words="sent from outside", inject=do.kill_worker,
    )  # fmt: skip
    yield LiveDrill(
        name="worker-stopped", injected="SIGSTOP to a worker", by="guard", rule="worker-hung", outcome="inconclusive",
        words="process state T", most_s=5.0, inject=do.stop_worker,
    )  # fmt: skip
    yield LiveDrill(
        name="crew-killed", injected="SIGKILL to the crew's parent", by="guard", rule="crew-lost",
        outcome="inconclusive", inject=do.kill_crew,
    )  # fmt: skip
    yield LiveDrill(
        name="guard-stopped", injected="SIGSTOP to the guard under full load", by="limiter", rule="limiter",
        outcome="inconclusive", words="loop had stood still", most_s=LIMITER_S, inject=do.stop_guard,
    )  # fmt: skip
    yield LiveDrill(
        name="both-stopped", injected="SIGSTOP to guard and journal's keeper, for good",
        by="limiter", rule="limiter", outcome="inconclusive", words="loop had stood still", most_s=LIMITER_S,
        inject=do.stop_guard_and_keeper, after=do.kill_keeper, judged_by="the next start",
    )  # fmt: skip
    yield LiveDrill(
        name="guard-killed", injected="SIGKILL to the guard", by="journal's keeper", rule="guard-died",
        outcome="inconclusive", words="SIGKILL", inject=do.kill_guard,
    )  # fmt: skip
    yield LiveDrill(
        name="limiter-killed", injected="SIGKILL to the limiter", by="guard", rule="limiter-lost",
        outcome="inconclusive", most_s=LIMITER_S, inject=do.kill_limiter,
    )  # fmt: skip
    yield LiveDrill(
        name="keeper-killed", injected="SIGKILL to the journal's keeper", by="next start",
        rule="interrupted", outcome="inconclusive", inject=do.kill_keeper, judged_by="the next start",
    )  # fmt: skip
    yield LiveDrill(
        name="keeper-stopped", injected="SIGSTOP to the journal's keeper", by="guard",
        rule="journal-stalled", outcome="inconclusive", most_s=20.0, stages=(LIGHT_LOAD,), beside=True,
        inject=do.stop_keeper, after=do.wake_keeper,
    )  # fmt: skip
    yield LiveDrill(
        name="crew-stopped", injected="SIGSTOP to the crew's parent as a stage goes on", by="guard", rule="crew-lost",
        outcome="inconclusive", words="nothing was heard of the end", most_s=45.0,
        stages=(LIGHT_LOAD.replace("10 min", "3 s"),), beside=True, inject=do.stop_crew,
    )  # fmt: skip
    yield LiveDrill(
        name="power-lost", injected="SIGKILL to everything at once, then another boot", by="next start",
        rule="machine-went-down", outcome="fail", inject=do.kill_all, judged_by="the next boot",
    )  # fmt: skip


def _surroundings() -> Iterator[Drill]:
    yield LiveDrill(
        name="stopped-by-hand", injected="SIGINT, as Ctrl-C sends it", by="guard", rule="stopped-by-hand",
        outcome="inconclusive", inject=do.stop_by_hand,
    )  # fmt: skip
    yield LiveDrill(
        name="disk-full", injected="another program fills the state folder's drive", by="journal's keeper",
        rule="journal-lost", outcome="inconclusive", small_drive=True, inject=do.fill_drive,
    )  # fmt: skip
    yield LiveDrill(
        name="core-taken-away", injected="a core is taken out of the affinity", by="journal's keeper",
        rule="settings-changed", outcome="inconclusive", words="changed before stage 2 began: cores allowed",
        stages=(SHORT_LOAD, SHORT_LOAD), until="finding", inject=do.take_core, least_cores=2,
    )  # fmt: skip
    yield LiveDrill(
        name="firmware-changed", injected="the firmware's date changes in the run", by="judge",
        rule="settings-changed", outcome="inconclusive", words="firmware date", stages=(SHORT_LOAD,),
        until="verdict", parts=("firmware",), inject=do.renew_firmware,
    )  # fmt: skip
    yield LiveDrill(
        name="plugin-hung", injected="a plugin whose channel has a limit hangs", by="guard",
        rule="required-reading-lost", outcome="inconclusive", words="late: no answer", plugin="sensors",
        limit='of = "plugin/drill/loop"\nabove = "60 °C"', inject=do.hang_plugin,
    )  # fmt: skip


def _waiting() -> Iterator[Drill]:
    """Before there is a load, where an alarm may take its time. Last, for they are waited for last."""
    yield LiveDrill(
        name="guard-silent", injected="SIGSTOP to the guard before it has a crew", by="journal's keeper",
        rule="guard-died", outcome="inconclusive", words="it had said nothing for", until="finding", most_s=20.0,
        moment="guard", beside=True, inject=do.stop_guard,
    )  # fmt: skip
    yield LiveDrill(
        name="stage-unconfirmed", injected="SIGSTOP to the journal's keeper before a stage begins", by="guard",
        rule="not-started", outcome="inconclusive", words="did not confirm the stage", most_s=40.0,
        guard=PATIENT_GUARD, moment="crew", beside=True, inject=do.stop_keeper, after=do.wake_keeper,
    )  # fmt: skip
    yield LiveDrill(
        name="worker-unready", injected="a plugin's workload does not get ready", by="guard", rule="worker-hung",
        outcome="inconclusive", words="did not get ready", most_s=40.0, guard=PATIENT_GUARD,
        stages=('workload = "plugin/drill"\nduration = "10 min"',), plugin="workload", moment="worker", beside=True,
    )  # fmt: skip
    yield LiveDrill(
        name="kernels-late", injected="SIGSTOP to the crew's parent, with no kernel built", by="guard",
        rule="not-started", outcome="inconclusive", words="kernels were not built", most_s=70.0,
        guard=PATIENT_GUARD, moment="crew", beside=True, inject=do.stop_crew,
    )  # fmt: skip
