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
from typing import TYPE_CHECKING

from soakd.clock import SystemClock
from soakd.crew.kinship import die_with_parent
from soakd.errors import SoakdError
from soakd.model.configuration import Configuration
from soakd.service.due import local_zone, zone
from soakd.service.web_pages import pages
from soakd.service.web_rehearse import Rehearsals
from soakd.service.web_sensors import BenchSensors
from soakd.web.exposition import METRICS
from soakd.web.pages import rehearse, sensors
from soakd.web.server import JOURNAL_NAME, serve

if TYPE_CHECKING:
    from soakd.web.routes import Desk


def first_line(channel: socket.socket) -> bytes:
    """One line and not a byte of what follows it."""
    line = b""
    while not line.endswith(b"\n"):
        byte = channel.recv(1)
        if not byte:
            raise SystemExit(0)  # the daemon changed its mind
        line += byte
    return line


def _sensor_plugins(configuration: Configuration) -> list[str]:
    return [plugin.name for plugin in configuration.plugins if plugin.kind == "sensors"]


def _run_on(desk: Desk) -> str | None:
    """As the daemon said last."""
    status = desk.hub.latest
    return None if status is None or status.run is None else status.run.run_id


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
        home, own_zone = Path(start["home"]), zone(configuration.zone or local_zone())
        clock = SystemClock()
        sensing = BenchSensors(clock, home / JOURNAL_NAME, configuration.roles, _sensor_plugins(configuration))
        more = (*sensors.routes(sensing), *rehearse.routes(Rehearsals(home)))
        serving = serve(
            channel,
            configuration.api,
            home,
            clock,
            zone=own_zone,
            extra_routes=(METRICS, *pages(home, configuration, clock), *more),
            when_open=lambda desk: sensing.begin(lambda: _run_on(desk)),
        )
        asyncio.run(serving)
    except SoakdError as error:
        hint = f"; {error.hint}" if error.hint else ""
        sys.stderr.write(f"soakd: API: {error.message}{hint}\n")
        raise SystemExit(error.exit_code) from None


if __name__ == "__main__":
    main()
