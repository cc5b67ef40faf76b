"""The search for a good issue order, in a process of its own that is pinned to one core: both ends.

Started as `python -m soakd.crew.searching PARENT CORE SEED`, in a session of its own; one JSON object out. A fork would
not do: whoever asks has threads and catches signals, and a fork would take each of those signals a second time.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from dataclasses import asdict
from typing import Any, Final

from soakd.crew.kinship import die_with_parent
from soakd.errors import SoakdError, WorkloadError

DEADLINE_S: Final = 60.0
"""For some seconds of processor time, on a core that other work may share."""


class OrderSearch:
    """One search. Make it in the main thread: it dies with the thread that started it."""

    def __init__(self, core: int, seed: int) -> None:
        self._deadline_s = time.perf_counter() + DEADLINE_S
        self._process = subprocess.Popen(  # noqa: S603 - our own interpreter and module
            [sys.executable, "-P", "-m", "soakd.crew.searching", str(os.getpid()), str(core), str(seed)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            start_new_session=True,
        )

    @property
    def done(self) -> bool:
        """Nothing is gained by waiting any longer."""
        return self._process.poll() is not None or time.perf_counter() > self._deadline_s

    def answer(self) -> dict[str, Any]:
        """What was found, as `integer.order.Found` has it; waits for it. Raises WorkloadError with what went wrong."""
        try:
            out, _ = self._process.communicate(timeout=max(0.0, self._deadline_s - time.perf_counter()))
        except subprocess.TimeoutExpired:
            self.kill()
            raise WorkloadError(f"the search did not end within {DEADLINE_S:g} s") from None
        said: dict[str, Any] = json.loads(out or b"{}")
        if "order" not in said:
            code = self._process.returncode
            raise WorkloadError(said.get("error") or f"the search ended with {code} and without a result")
        return said

    def kill(self) -> None:
        """End it, and wait until it is gone."""
        self._process.kill()
        self._process.communicate()


def main() -> None:
    parent, core, seed = (int(argument) for argument in sys.argv[1:4])
    die_with_parent(parent)
    from soakd.workloads.integer.order import search  # noqa: PLC0415 - loads the compiler library

    try:
        os.sched_setaffinity(0, {core})
        said = asdict(search(seed=seed))
    except (SoakdError, OSError) as error:
        said = {"error": str(error)}
    sys.stdout.write(json.dumps(said))


if __name__ == "__main__":
    main()
