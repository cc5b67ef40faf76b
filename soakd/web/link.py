"""The line to the daemon: JSON lines over an inherited socket. Status and events come in, questions go out."""

from __future__ import annotations

import asyncio
import itertools
import json
from typing import TYPE_CHECKING, Any

from soakd.model.drill import DrillCall
from soakd.web.problems import DaemonRefusedError

if TYPE_CHECKING:
    import socket

    from soakd.web.hub import Hub
    from soakd.web.limits import Limits

_LONGEST_LINE = 8 * 2**20


class Link:
    """The daemon as a Control."""

    def __init__(self, hub: Hub, limits: Limits) -> None:
        self._hub = hub
        self._limits = limits
        self._numbers = itertools.count(1)
        self._open: dict[int, asyncio.Future[dict[str, Any]]] = {}
        self._writer: asyncio.StreamWriter | None = None

    async def run(self, channel: socket.socket) -> None:
        """Until the daemon closes its end. By now the API's own sockets listen; that is the first thing to say."""
        reader, self._writer = await asyncio.open_connection(sock=channel, limit=_LONGEST_LINE)
        self._writer.write(b'{"listening": true}\n')
        while line := await reader.readline():
            self._take(json.loads(line))
            await asyncio.sleep(0)  # a line that is here already does not wait, and the readers need their turn

    async def ask(self, verb: str, **arguments: object) -> dict[str, object]:
        """Raises DaemonRefusedError with the daemon's own words, or when it does not answer."""
        if self._writer is None or len(self._open) >= self._limits.open_asks:
            raise DaemonRefusedError("unreachable", "the daemon has too much to do to take this now", hint="ask again")
        number = next(self._numbers)
        answer: asyncio.Future[dict[str, Any]] = asyncio.get_running_loop().create_future()
        self._open[number] = answer
        line = json.dumps({"id": number, "verb": verb, "arguments": arguments}, ensure_ascii=False)
        try:
            async with asyncio.timeout(self._limits.answer_s):
                self._writer.write(line.encode() + b"\n")
                await self._writer.drain()
                said = await answer
        except (TimeoutError, ConnectionError):
            raise DaemonRefusedError(
                "unreachable",
                f"the daemon did not answer within {self._limits.answer_s:g} s",
                hint="it may still do what was asked: look before you ask again",
            ) from None
        finally:
            del self._open[number]
        if "error" in said:
            error = said["error"]
            raise DaemonRefusedError(error["code"], error["message"], hint=error.get("hint", ""))
        done: dict[str, object] = said["ok"]
        return done

    def _take(self, line: dict[str, Any]) -> None:
        if "status" in line:
            self._hub.take_status(line["status"])
        elif "drill" in line:
            self._hub.drill = DrillCall.model_validate_json(json.dumps(line["drill"]))
        elif "metrics" in line:
            self._hub.metrics = line["metrics"]
        elif "event" in line:
            self._hub.take_event(line["seq"], line["run_id"], line["event"])
        else:
            answer = self._open.get(line["reply"])
            if answer is not None and not answer.done():
                answer.set_result(line)
