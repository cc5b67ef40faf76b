"""What worker processes do wrong: wrong results, dying, standing still."""

from __future__ import annotations

import signal
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from soakd.model.finding import Finding, WrongResult
from soakd.model.pace import ROUND_S

if TYPE_CHECKING:
    from collections.abc import Mapping

    from soakd.model.crew import WorkerExited, WorkerLook, WorkerWrong

PATIENCE_S = 2.5 * ROUND_S
"""Watched time without a beat after which a worker is hung: within three rounds."""
START_PATIENCE_S = 30.0
"""The same while it gets ready: locking memory waits for the kernel, which may have to make room first."""
_LONGEST_GLANCE_S = 0.2
"""One look counts for no more than this, so that a pause of the whole machine is not blamed on a worker."""
_SIGNALS_OF_ERROR = frozenset(
    {signal.SIGSEGV, signal.SIGBUS, signal.SIGILL, signal.SIGFPE, signal.SIGABRT, signal.SIGTRAP, signal.SIGSYS}
)


def hex64(pattern: int) -> str:
    return f"0x{pattern:016x}"


def wrong_result(event: WorkerWrong, *, workload: str, instruction_class: str) -> Finding:
    """A result that differs from its closed form: the gravest thing a soak can find."""
    flipped = event.expected ^ event.actual
    bits = ", ".join(str(bit) for bit in range(flipped.bit_length()) if flipped >> bit & 1)
    return Finding(
        rule="wrong-result",
        weight="fail",
        text=f"core {event.core} computed a wrong result in {workload} ({instruction_class}), round {event.round}, "
        f"{event.where}: expected {hex64(event.expected)}, got {hex64(event.actual)}, flipped bits {bits or 'none'}",
        core=event.core,
        wrong=WrongResult(
            workload=workload,
            instruction_class=instruction_class,
            round=event.round,
            where=event.where,
            expected=hex64(event.expected),
            actual=hex64(event.actual),
            flipped=hex64(flipped),
        ),
    )


def worker_gone(event: WorkerExited) -> Finding:
    """A worker that ended by itself. Signals that a wrong computation causes are a failure of the bench."""
    if event.code >= 0:
        how, weight = f"ended with code {event.code}", "inconclusive"
    else:
        number = -event.code
        name = signal.Signals(number).name if number in set(signal.Signals) else "unknown"
        how = f"died of signal {number} ({name})"
        weight = "fail" if number in _SIGNALS_OF_ERROR else "inconclusive"
        if number == signal.SIGKILL:
            how += ", sent from outside: short of memory, or somebody's hand"
    return Finding(
        rule="worker-died",
        weight="fail" if weight == "fail" else "inconclusive",
        text=f"the worker on core {event.core} {how}",
        core=event.core,
    )


@dataclass(slots=True)
class Patience:
    """Watches beats. Only time during which the guard itself was looking counts."""

    _beats: dict[int, int] = field(default_factory=dict)
    _still_s: dict[int, float] = field(default_factory=dict)
    _last_look_s: float | None = None

    def reset(self) -> None:
        self._beats.clear()
        self._still_s.clear()
        self._last_look_s = None

    def observe(self, looks: Mapping[int, WorkerLook], now_s: float) -> dict[int, float]:
        """Cores whose worker has been still for longer than the patience with its state, with the seconds."""
        glance_s = 0.0 if self._last_look_s is None else min(now_s - self._last_look_s, _LONGEST_GLANCE_S)
        self._last_look_s = now_s
        for core, look in looks.items():
            moved = self._beats.get(core) != look.beats
            self._beats[core] = look.beats
            self._still_s[core] = 0.0 if moved or look.state == "done" else self._still_s.get(core, 0.0) + glance_s
        return {core: self._still_s[core] for core, look in looks.items() if self._still_s[core] >= _patience(look)}


def _patience(look: WorkerLook) -> float:
    return START_PATIENCE_S if look.state == "starting" else PATIENCE_S


def hung(look: WorkerLook, still_s: float, *, process_state: str | None) -> Finding:
    """A worker without a beat; one that was stopped, waits for a device or was getting ready accuses no core."""
    innocent = {
        "T": "it was stopped from outside (process state T)",
        "t": "it is being traced (process state t)",
        "D": "it waits for a drive or a driver (process state D)",
    }
    why = innocent.get(process_state or "")
    if why is None and look.state == "starting":
        why = "it did not get ready"
    core = look.totals.core
    return Finding(
        rule="worker-hung",
        weight="inconclusive" if why else "fail",
        text=f"the worker on core {core} made no progress for {still_s:.1f} s: "
        f"{why or f'process state {process_state}'}",
        core=core,
    )
