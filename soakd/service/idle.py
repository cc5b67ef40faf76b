"""Work for a page that costs processor time: in a process that yields to everything else, and not for ever.

A module of ours is run as `python -m MODULE PARENT`. It is given one JSON document on standard input and answers with
one, `{"ok": …}` or `{"error": {"code", "message", "hint"}}`: see `answered`.
"""

from __future__ import annotations

import asyncio
import json
import os
import sys
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from soakd.crew.kinship import die_with_parent
from soakd.errors import SoakdError
from soakd.web.problems import DaemonRefusedError

if TYPE_CHECKING:
    from collections.abc import Callable


class Idle:
    """At most one process at a time; whoever comes later waits. Only from the main thread, with which they die."""

    def __init__(self, module: str, *, most_s: float) -> None:
        self._module = module
        self._most_s = most_s
        self._turn = asyncio.Lock()

    async def ask(self, document: dict[str, Any]) -> dict[str, Any]:
        """Raises DaemonRefusedError with the process's own words, or when it takes too long."""
        async with self._turn:
            process = await asyncio.create_subprocess_exec(
                sys.executable, "-P", "-m", self._module, str(os.getpid()),
                stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE, start_new_session=True,
            )  # fmt: skip
            try:
                async with asyncio.timeout(self._most_s):
                    said, _ = await process.communicate(json.dumps(document).encode())
            except TimeoutError:
                raise DaemonRefusedError(
                    "unreachable",
                    f"this took longer than {self._most_s:.0f} s and was given up",
                    hint="it has only what a soak leaves over: ask again when none is on",
                ) from None
            finally:
                with suppress(ProcessLookupError):
                    process.kill()
                await process.wait()
        if not said:
            raise DaemonRefusedError("bug", "this went wrong; the daemon's log says more")
        answer = json.loads(said)
        if "error" in answer:
            error = answer["error"]
            raise DaemonRefusedError(error["code"], error["message"], hint=error["hint"])
        done: dict[str, Any] = answer["ok"]
        return done


def answered(do: Callable[[dict[str, Any]], dict[str, Any]]) -> None:
    """The whole of such a process."""
    die_with_parent(int(sys.argv[1]))
    os.sched_setscheduler(0, os.SCHED_IDLE, os.sched_param(0))
    asked = json.load(sys.stdin)
    try:
        answer: dict[str, Any] = {"ok": do(asked)}
    except SoakdError as error:
        answer = {"error": {"code": error.code, "message": error.message, "hint": error.hint}}
    sys.stdout.write(json.dumps(answer, ensure_ascii=False))
