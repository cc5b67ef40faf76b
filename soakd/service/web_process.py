"""The API's own process: it reads, and asks the daemon for everything else.

Started as `python -m soakd.service.web_process PARENT SOCKET`. JSON lines in: how to start, then status, events and
answers; JSON lines out: questions. When it dies or hangs the soak goes on.
"""

from __future__ import annotations

import asyncio
import json
import logging
import os
import signal
import socket
import sys
from pathlib import Path

from soakd.clock import SystemClock
from soakd.crew.kinship import die_with_parent
from soakd.errors import SoakdError
from soakd.model.configuration import Configuration
from soakd.web.exposition import METRICS
from soakd.web.server import serve


def first_line(channel: socket.socket) -> bytes:
    """One line and not a byte of what follows it."""
    line = b""
    while not line.endswith(b"\n"):
        byte = channel.recv(1)
        if not byte:
            raise SystemExit(0)  # the daemon changed its mind
        line += byte
    return line


def main() -> None:
    parent, descriptor = (int(argument) for argument in sys.argv[1:3])
    die_with_parent(parent)
    for number in (signal.SIGINT, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)  # the daemon decides when this ends
    os.umask(0o077)
    logging.basicConfig(level=logging.WARNING, format="soakd: API: %(message)s")
    logging.getLogger("uvicorn.error").setLevel(logging.ERROR)  # what callers send wrongly is no news
    channel = socket.socket(fileno=descriptor)
    start = json.loads(first_line(channel))["start"]
    configuration = Configuration.model_validate_json(json.dumps(start["configuration"]))
    try:
        asyncio.run(serve(channel, configuration.api, Path(start["home"]), SystemClock(), extra_routes=(METRICS,)))
    except SoakdError as error:
        hint = f"; {error.hint}" if error.hint else ""
        sys.stderr.write(f"soakd: API: {error.message}{hint}\n")
        raise SystemExit(error.exit_code) from None


if __name__ == "__main__":
    main()
