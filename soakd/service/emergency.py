"""What the tuner wants done when the bench still heats with the load gone: a program of his own, once in each run.

It may well switch the machine off. All that the verdict rests on is in the journal by then, so that the next start
judges the run where this process did not get to it.
"""

from __future__ import annotations

import json
import threading
from typing import TYPE_CHECKING, Final

from soakd.service.commands import refuse_unsafe, run_limited

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from soakd.model.finding import Finding
    from soakd.model.run import RunRecord

KEY: Final = "when-still-heating"
TIMEOUT_S: Final = 60.0


class Emergency:
    """The configured action. Nothing here is waited for, but in `wait`."""

    def __init__(self, command: Sequence[str] = (), done: Callable[[], None] = lambda: None) -> None:
        """`done` is called from another thread when a call is over. Raises RefusedError for an unsafe program."""
        if command:
            refuse_unsafe(command[0], KEY)
        self._command = tuple(command)
        self._done = done
        self._run_id: str | None = None
        self._thread: threading.Thread | None = None
        self._outcome: str | None = None

    def act(self, record: RunRecord, finding: Finding) -> str | None:
        """Begin, if that was not done in this run before; says what was begun, or that nothing is to be done."""
        if self._run_id == record.run_id:
            return None
        self._run_id = record.run_id
        if not self._command:
            return f"no action is configured for this ({KEY} in soakd.toml)"
        about = {"run_id": record.run_id, "plan": record.plan.name, "finding": finding.model_dump(mode="json")}
        said = json.dumps(about, ensure_ascii=False).encode()
        self._thread = threading.Thread(target=self._call, args=(said,), name=KEY, daemon=True)
        self._thread.start()
        return f"the configured action was begun: {self._command[0]}"

    def outcome(self) -> str | None:
        """How the call went, once after it is over."""
        said, self._outcome = self._outcome, None
        return said

    def wait(self) -> None:
        """Until a call that goes on is over, which it is in its time."""
        if self._thread is not None:
            self._thread.join()

    def _call(self, said: bytes) -> None:
        try:
            ended = run_limited(self._command, KEY, said, TIMEOUT_S)
            how = "did what it should" if ended.trouble is None else f"FAILED: {ended.trouble}"
            self._outcome = f"the action {self._command[0]} {how}"
        finally:
            self._done()
