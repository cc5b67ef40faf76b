"""How fast a kernel runs on these cores: rounds between two clock probes, on one core and on all at once.

Every figure is a ratio within one run: operations over the cycles that the probe's own chain needed at the same moment,
one core over all cores together. Rounds whose probes disagree are left out; a core that other work disturbs still shows
in the median, which stands beside the best.
"""

from __future__ import annotations

import json
import os
import select
import signal
import statistics
import time
from dataclasses import asdict
from functools import partial
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final

from soakd.crew.kinship import die_with_parent
from soakd.errors import SoakdError, WorkloadError
from soakd.model.throughput import CoreSpeed
from soakd.workloads.base import OPEN, Round
from soakd.workloads.clockprobe import STEADY

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from soakd.workloads.base import Beat, Flip, Gate, Program
    from soakd.workloads.clockprobe import ClockProbe

ROUND_S: Final = 0.06
CHECK_ROUND_S: Final = 0.5
"""The check's share is that of a round as a soak has it."""

_AMPLE_S: Final = 60.0
_NO_ANSWER: Final = b'{"error": "a kernel could not be measured: its process gave no answer", "hint": ""}'


class Fork:
    """Work done in a forked process, whose answer is JSON."""

    def __init__(self, work: Callable[[], object]) -> None:
        parent = os.getpid()
        self._answer, told = os.pipe()
        self._pid = os.fork()
        if self._pid == 0:
            os.close(self._answer)
            try:
                die_with_parent(parent)
                _write(told, work())
            except SoakdError as error:
                _write(told, {"error": error.message, "hint": error.hint})
            except Exception as error:  # noqa: BLE001 - whatever it was, the parent must hear of it
                _write(told, {"error": f"a kernel could not be measured: {type(error).__name__}: {error}", "hint": ""})
            finally:
                os._exit(0)
        os.close(told)

    def answer(self, deadline_s: float) -> Any:
        """Wait for it. Raises WorkloadError with what went wrong there, or when it does not come in time."""
        if not select.select([self._answer], [], [], deadline_s)[0]:
            os.kill(self._pid, signal.SIGKILL)  # and what it has forked dies with it
        with os.fdopen(self._answer, "rb") as pipe:
            said = json.loads(pipe.read() or _NO_ANSWER)
        os.waitpid(self._pid, 0)
        if isinstance(said, dict) and "error" in said:
            raise WorkloadError(said["error"], hint=said["hint"])
        return said


def deadline_s(rounds: int) -> float:
    """For one core's answer; ample."""
    return CHECK_ROUND_S + rounds * ROUND_S + _AMPLE_S


def _write(pipe: int, answer: object) -> None:
    with os.fdopen(pipe, "wb") as out:
        out.write(json.dumps(answer).encode())


def measured(
    program: Program, cores: Sequence[int], probe: ClockProbe | None, *, rounds: int, memory_bytes: int
) -> list[CoreSpeed]:
    """Run the program's kernel on these cores at once; `memory_bytes` for each. Raises WorkloadError."""
    program.gather(len(cores))
    forks = [
        Fork(partial(_one_core, program, core, seat, probe, rounds, memory_bytes)) for seat, core in enumerate(cores)
    ]
    return [CoreSpeed(**fork.answer(deadline_s(rounds))) for fork in forks]


def _one_core(
    program: Program, core: int, seat: int, probe: ClockProbe | None, rounds: int, memory_bytes: int
) -> dict[str, Any]:
    """As many rounds for everybody, because some kernels need each other."""
    os.sched_setaffinity(0, {core})
    task = program.task(memory_bytes=memory_bytes, beat=lambda: None, seat=seat)
    checked = task.round(CHECK_ROUND_S, lambda: None)
    faults = checked.fault_count
    rates: list[float] = []
    per_cycle: list[float] = []
    clocks: list[float] = []
    for _ in range(rounds):
        before = probe.mhz() if probe else 0.0
        begun_s, used_s = time.perf_counter(), time.thread_time()
        done = task.round(ROUND_S, lambda: None)
        had_core = (time.thread_time() - used_s) / (time.perf_counter() - begun_s)
        after = probe.mhz() if probe else 0.0
        faults += done.fault_count
        if not done.work_s:
            continue  # a joint round that nobody else came to
        rates.append(done.operations / done.work_s)
        if probe and abs(before - after) <= STEADY * before:
            clocks.append((before + after) / 2)
            per_cycle.append(rates[-1] / (clocks[-1] * 1e6 * had_core))
    if not rates:
        raise WorkloadError("not one round could be measured")
    speed = CoreSpeed(
        core=core,
        best_per_second=_ninth_decile(rates),
        median_per_second=statistics.median(rates),
        per_cycle=_ninth_decile(per_cycle) if per_cycle else None,
        clock_mhz=statistics.median(clocks) if clocks else None,
        check_share=checked.check_s / checked.work_s if checked.work_s else 0.0,
        faults=faults,
        note=task.note,
    )
    return asdict(speed)


def _ninth_decile(values: Sequence[float]) -> float:
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(0.9 * len(ordered)))]


class CopyProgram:
    """What memory workloads are compared with: numpy.copyto from one half of the share to the other. Checks nothing."""

    digests: Mapping[str, str] = MappingProxyType({})

    def selfcheck(self) -> None:
        """Nothing of ours to check."""

    def gather(self, workers: int) -> None:
        """Each worker is on its own."""

    def task(self, *, memory_bytes: int, beat: Beat, seat: int = 0) -> _CopyTask:  # noqa: ARG002 - shares nothing
        return _CopyTask(memory_bytes)


class _CopyTask:
    note = ""

    def __init__(self, memory_bytes: int) -> None:
        import numpy as np  # noqa: PLC0415 - only a comparison needs it

        self._copy = np.copyto
        self._source = np.ones(memory_bytes // 16, dtype=np.uint64)
        self._target = np.zeros_like(self._source)

    def round(self, target_s: float, beat: Beat, flip: Flip | None = None, gate: Gate = OPEN) -> Round:  # noqa: ARG002
        begun_s, copies = time.perf_counter(), 0
        while time.perf_counter() < begun_s + target_s:
            self._copy(self._target, self._source)
            copies += 1
            beat()
        moved = 2 * copies * self._source.nbytes
        spent_s = time.perf_counter() - begun_s
        return Round(operations=moved, work_s=spent_s, check_s=0.0, fault_count=0, faults=())
