"""Drills of heat, of sensors that cannot be believed, of counters, and of time itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.model.virtual import Fault
from soakd.service.drill import injections as do
from soakd.service.drill.drills import LIMITER_S, WATCHING_GUARD, Drill, LiveDrill, VirtualDrill
from soakd.service.drill.virtual import AT_S, fail, rehearsed, sensor, tremble, unnumber

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from soakd.model.rehearsal import Rehearsal
    from soakd.service.drill.live import Live

_SENSOR = ("sensor",)
_PUMP = Fault.model_validate({"what": "pump-fails", "at": AT_S})
_WARMER = sensor("sensor-lies", off=30.0)


def heat() -> Iterator[Drill]:
    """The processor's own sensor tells of it, made so that it can be held in the hand."""
    yield LiveDrill(
        name="over-temperature", injected="the processor reads 93 °C; the limit is 90 °C", by="guard",
        rule="limit-broken", outcome="fail", words="above 90 °C", guard=WATCHING_GUARD, parts=_SENSOR,
        inject=do.heat(do.HOT_C), stand_in=rehearsed(sensor("sensor-lies", off=45.0), limit='above = "90 °C"'),
    )  # fmt: skip
    yield LiveDrill(
        name="fast-rise", injected="it warms by 2 K a second; the limit is 60 K/min", by="guard",
        rule="limit-broken", outcome="fail", words="K/min", guard=WATCHING_GUARD, parts=_SENSOR,
        limit='of = "cpu-temperature"\nrises = "60 K/min"\nover = "5 s"', inject=do.rise,
    )  # fmt: skip
    yield LiveDrill(
        name="above-coolant", injected="it reads 55 K more than the coolant; the limit is 40 K", by="guard",
        rule="limit-broken", outcome="fail", words="minus coolant-temperature", guard=WATCHING_GUARD, parts=_SENSOR,
        limit='of = "cpu-temperature"\nminus = "coolant-temperature"\nabove = "40 K"', inject=do.heat(do.WARM_C),
        stand_in=rehearsed(_WARMER, limit='minus = "coolant-temperature"\nabove = "45 K"'),
    )  # fmt: skip
    yield LiveDrill(
        name="warm-too-long", injected="it stays at 85 °C; the limit is 0.1 % above 80 °C", by="guard",
        rule="limit-broken", outcome="fail", words="0.1 % of a stage", guard=WATCHING_GUARD, parts=_SENSOR,
        limit='of = "cpu-temperature"\nabove = "80 °C"\nshare = "0.1 %"', inject=do.heat(do.WARM_C),
        stand_in=rehearsed(_WARMER, limit='above = "75 °C"\nshare = "0.1 %"'),
    )  # fmt: skip
    yield LiveDrill(
        name="heat-unseen", injected="the guard is stopped, and the processor reads 94 °C", by="limiter",
        rule="limiter", outcome="fail", words="above 93 °C", most_s=LIMITER_S, guard=WATCHING_GUARD, parts=_SENSOR,
        inject=do.overheat_stopped_guard, after=do.wake_guard,
    )  # fmt: skip
    yield LiveDrill(
        name="heating-on", injected="the processor goes on warming with the load gone", by="guard",
        rule="still-heating", outcome="fail", until="finding", parts=_SENSOR,
        guard=WATCHING_GUARD.replace('cooling-watch = "0 s"', 'cooling-watch = "1 min"'), inject=do.heat_on,
        after=do.cool_down,
    )  # fmt: skip
    yield VirtualDrill(
        name="heat-foreseen", injected="the pump fails; the limit of 80 °C is far off", by="guard",
        rule="limit-ahead", outcome="inconclusive", most_s=60.0, at_s=AT_S,
        rehearse=rehearsed(_PUMP, limit='above = "80 °C"', guard='foresight = "stop"', duration="10 min"),
        why="a minute of heating, in accelerated time",
    )  # fmt: skip


def sensors() -> Iterator[Drill]:
    """They cannot be believed."""
    yield _lost("sensor-removed", "the processor's sensor is removed", "gone", do.remove_sensor, "sensor-vanishes")
    yield _lost("sensor-absurd", "the processor reads 200 °C", "absurd", do.heat(200.0), "sensor-absurd")
    yield _lost("sensor-jumped", "the processor reads 95 K less at once", "jumped", do.heat(-50.0))
    yield _lost("sensor-faulty", "the driver flags a fault of the sensor", "the driver reports a fault", do.raise_fault)
    yield LiveDrill(
        name="limiter-blind", injected="only the guard can read the processor's sensor", by="limiter",
        rule="limiter", outcome="inconclusive", words="it had no reading of", guard=WATCHING_GUARD, parts=_SENSOR,
        inject=do.hide_from_limiter,
    )  # fmt: skip
    yield VirtualDrill(
        name="sensor-frozen", injected="the processor's sensor ignores the load", by="guard",
        rule="required-reading-lost", outcome="inconclusive", words="frozen", most_s=60.0, at_s=0.0,
        rehearse=rehearsed(sensor("sensor-freezes", 0.0)), why="half a minute of steady load, in accelerated time",
    )  # fmt: skip
    yield VirtualDrill(
        name="sensor-trembling", injected="the processor's sensor only trembles", by="guard",
        rule="required-reading-lost", outcome="inconclusive", words="frozen", most_s=150.0, at_s=0.0,
        rehearse=rehearsed(meddle=tremble), why="two minutes of steady load, in accelerated time",
    )  # fmt: skip
    yield VirtualDrill(
        name="sensor-unnumbered", injected="the processor's sensor says what is no number", by="guard",
        rule="required-reading-lost", outcome="inconclusive", words="not a finite number", at_s=AT_S,
        rehearse=rehearsed(meddle=unnumber), why="the kernel writes whole numbers only",
    )  # fmt: skip
    yield VirtualDrill(
        name="source-failed", injected="what reads the sensors raises an error", by="guard",
        rule="required-reading-lost", outcome="inconclusive", words="the source failed", at_s=AT_S,
        rehearse=rehearsed(meddle=fail), why="no source of soakd's own is known to, and a plugin is apart",
    )  # fmt: skip


def _lost(name: str, injected: str, words: str, inject: Callable[[Live], None], fault: str | None = None) -> LiveDrill:
    """What a watched channel does so that it cannot be believed. `fault`: the virtual bench's word for it."""
    stand_in: Callable[[Path], Rehearsal] | None = rehearsed(sensor(fault)) if fault is not None else None
    return LiveDrill(
        name=name, injected=injected, by="guard", rule="required-reading-lost", outcome="inconclusive", words=words,
        guard=WATCHING_GUARD, parts=_SENSOR, inject=inject, stand_in=stand_in,
    )  # fmt: skip


def counters(memory_stage: str) -> Iterator[Drill]:
    """What the kernel counts."""
    yield LiveDrill(
        name="memory-corrected", injected="3 corrected memory errors; the limit is 1 an hour",
        by="guard", rule="limit-broken", outcome="fail", words="DIMM_A1", parts=("memory",),
        limit='of = "corrected-memory-errors"\nper-hour = "1 events"', inject=do.correct_memory,
    )  # fmt: skip
    yield LiveDrill(
        name="core-throttled", injected="3 throttle events; the limit is 1 an hour", by="guard",
        rule="limit-broken", outcome="fail", words="throttling/", parts=("throttling",),
        limit='of = "throttle-events"\nper-hour = "1 events"', inject=do.throttle,
    )  # fmt: skip
    yield LiveDrill(
        name="swapped", injected="64 MiB go through swap in a memory stage", by="guard", rule="swapped",
        outcome="inconclusive", parts=("swap",), stages=(memory_stage,), inject=do.swap,
    )  # fmt: skip


def clocks() -> Iterator[Drill]:
    """What time itself does."""
    yield VirtualDrill(
        name="suspended", injected="the machine sleeps for 1 min", by="guard", rule="suspended",
        outcome="inconclusive", at_s=AT_S, rehearse=rehearsed(hand=lambda hand: hand.sleep_through(60.0)),
        why="a machine that sleeps drills nothing",
    )  # fmt: skip
    yield VirtualDrill(
        name="clock-stepped", injected="the wall clock is set back by 1 h", by="nobody", rule="",
        outcome="pass", until="verdict", most_s=float("inf"), at_s=AT_S,
        rehearse=rehearsed(hand=lambda hand: hand.step(-3600.0)), why="a clock cannot be stepped without harm",
    )  # fmt: skip
    yield VirtualDrill(
        name="guard-late", injected="nobody is scheduled for 6 s", by="guard", rule="guard-blind",
        outcome="inconclusive", at_s=AT_S,
        rehearse=rehearsed(guard='gap-hold = "1 min"', hand=lambda hand: hand.hold_up(6.0)),
        why="the limiter would be first",
    )  # fmt: skip
