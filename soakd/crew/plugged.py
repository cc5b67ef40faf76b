"""A plugin's workload inside the crew. What it does wrong names the plugin and accuses no core.

Before it may vouch for anything it has to show, in a process of its own, that it finds a bit which was inverted on
purpose, and finds nothing where nothing is wrong.
"""

from __future__ import annotations

import os
from contextlib import AbstractContextManager, contextmanager
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final

from soakd.crew.measuring import Fork
from soakd.errors import PluginError, WorkloadError
from soakd.plugins.loading import failed, made
from soakd.workloads.base import OPEN, UNSOUND, Fault, Flip, Round
from soakd.workloads.classes import CLASSES

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from soakd.model.plug import Plug
    from soakd.workloads.base import Beat, Gate

PROOF_S: Final = 0.1
"""Of each of the two rounds that prove it."""
PROOF_BIT: Final = 12_345
_PROOF_DEADLINE_S: Final = 45.0
"""With everything that it has to load; within what the guard allows for all kernels."""
_ONE_THREAD: Final = MappingProxyType({"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"})
"""Whatever a plugin loads: a worker is one thread on one core."""
_LONGEST_NOTE: Final = 200
_LONGEST_WHERE: Final = 120
_WORD: Final = 1 << 64


class PluginProgram:
    """What the plugin built, held to what a program is (`soakd.workloads.base`)."""

    def __init__(self, plug: Plug, instruction_class: str) -> None:
        """Load and build it. Raises PluginError."""
        self._plug = plug
        os.environ.update(_ONE_THREAD)
        workload, digest = made(plug)
        with self._named():
            self._program = workload.build(CLASSES[instruction_class])
            digests = {f"{plug.label}: {name}": str(value) for name, value in dict(self._program.digests).items()}
        self.digests: Mapping[str, str] = {f"{plug.label} code": digest, **digests}

    def selfcheck(self) -> None:
        """Raises WorkloadError for wrong answers at rest, PluginError for a plugin that is not fit to check."""
        with self._named():
            self._program.selfcheck()
        try:
            wrong, found = Fork(self._tried).answer(_PROOF_DEADLINE_S)
        except WorkloadError as error:
            message = f"plugin {self._plug.name}: it cannot be proved: {error.message}"
            raise PluginError(message, hint=error.hint) from error
        if wrong:
            raise WorkloadError(f"workload {self._plug.label} computes wrongly: {wrong} wrong at rest", hint=UNSOUND)
        if not found:
            raise PluginError(f"plugin {self._plug.name}: it does not find a bit that was inverted on purpose")

    def gather(self, workers: int) -> None:
        with self._named():
            self._program.gather(workers)

    def task(self, *, memory_bytes: int, beat: Beat, seat: int = 0) -> PluginTask:
        with self._named():
            return PluginTask(self._plug, self._program.task(memory_bytes=memory_bytes, beat=beat, seat=seat))

    def _tried(self) -> list[int]:
        """Wrong results of a round in which nothing is wrong, and of one with an inverted bit."""
        task = self.task(memory_bytes=0, beat=lambda: None)
        return [task.round(PROOF_S, lambda: None, flip).fault_count for flip in (None, Flip(bit=PROOF_BIT))]

    def _named(self) -> AbstractContextManager[None]:
        return _named(self._plug)


class PluginTask:
    """One worker's instance, every round of which is looked at before it counts."""

    def __init__(self, plug: Plug, task: Any) -> None:
        self._plug = plug
        self._task = task
        self.note = str(task.note)[:_LONGEST_NOTE]

    def round(self, target_s: float, beat: Beat, flip: Flip | None = None, gate: Gate = OPEN) -> Round:
        with _named(self._plug):
            done = self._task.round(target_s, beat, flip, gate)
            trouble = _trouble(done)
        if trouble:
            raise PluginError(f"plugin {self._plug.name}: {trouble}")
        return done  # type: ignore[no-any-return]


def _trouble(done: Any) -> str | None:
    """Why this is no round that can be counted."""
    if not isinstance(done, Round):
        return f"a round is a soakd.api.Round, and not of type {type(done).__name__}"
    counts = (done.operations, done.fault_count, done.sweeps)
    if not all(isinstance(each, int) and 0 <= each < _WORD for each in counts):
        return "a round's counts are whole numbers from 0 to 2^64 - 1"
    if not all(isinstance(each, float | int) and 0 <= each < _WORD for each in (done.work_s, done.check_s)):
        return "a round's times are seconds"
    if done.fault_count < len(done.faults) or not all(_is_fault(each) for each in done.faults):
        return "a round's faults are soakd.api.Fault with patterns of 64 bits, and all of them are counted"
    if done.fault_count and not done.faults:
        return "a round with wrong results shows at least one of them"
    return None


def _is_fault(found: Any) -> bool:
    patterns = (found.expected, found.actual) if isinstance(found, Fault) else ()
    sound = all(isinstance(each, int) and 0 <= each < _WORD for each in patterns)
    return bool(patterns) and sound and isinstance(found.where, str) and len(found.where) <= _LONGEST_WHERE


@contextmanager
def _named(plug: Plug) -> Iterator[None]:
    """Whatever the plugin raises is a PluginError that names it; that a kernel computes wrongly stays what it is."""
    try:
        yield
    except PluginError:
        raise
    except WorkloadError as error:
        raise WorkloadError(f"workload {plug.label}: {error.message}", hint=error.hint) from error
    except BaseException as error:
        raise failed(plug, error) from error
