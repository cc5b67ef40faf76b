"""Drills that mostly wait: each is done in a process of its own, while the others are done one after another."""

from __future__ import annotations

import os
import signal
from contextlib import contextmanager
from typing import TYPE_CHECKING

from soakd.crew.kinship import die_with_parent
from soakd.model.drill import DrillResult
from soakd.service.drill.live import STOPPING
from soakd.service.drill.seen import Seen, result_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from types import FrameType

    from soakd.service.drill.drills import Drill

    Do = Callable[[Drill], DrillResult]


@contextmanager
def beside(waiting: Iterable[Drill], do: Do) -> Iterator[dict[str, Errand]]:
    """Begun at once, by name. On the way out those are ended that nobody has waited for, with all that they began."""
    sent: dict[str, Errand] = {}
    try:
        for drill in waiting:
            sent[drill.name] = Errand(drill, do)
        yield sent
    finally:
        before = signal.pthread_sigmask(signal.SIG_BLOCK, STOPPING)
        for each in sent.values():
            each.end()
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


class Errand:
    """One drill in a process that dies with this one."""

    def __init__(self, drill: Drill, do: Do) -> None:
        self._drill = drill
        parent = os.getpid()
        self._answer, told = os.pipe()
        self._pid = os.fork()
        if self._pid == 0:
            try:
                die_with_parent(parent)
                for number in STOPPING:
                    if number is signal.SIGTERM or signal.getsignal(number) is not signal.SIG_IGN:
                        signal.signal(number, _end)
                os.write(told, do(drill).model_dump_json().encode())
            finally:
                os._exit(0)
        os.close(told)

    def result(self) -> DrillResult:
        """Waited for as long as it takes, for every drill has its own deadlines."""
        with os.fdopen(self._answer, "rb", closefd=False) as answer:
            said = answer.read()
        if not said:
            return result_of(self._drill, Seen(odd="the process that did it ended before"))
        return DrillResult.model_validate_json(said)

    def end(self) -> None:
        """Returns when it is gone."""
        os.kill(self._pid, signal.SIGTERM)
        os.waitpid(self._pid, 0)
        os.close(self._answer)


def _end(number: int, frame: FrameType | None) -> None:  # noqa: ARG001 - as a handler is called
    """Once: nothing may disturb what is cleared away then."""
    for each in STOPPING:
        signal.signal(each, signal.SIG_IGN)
    raise KeyboardInterrupt
