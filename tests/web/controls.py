"""Every way to reach a control: each takes a folder and yields something with `ask(verb, **arguments)`.

`fake` is the stand-in itself, `api` the stand-in behind the real process of the API, `daemon` the real `soakd serve`.
"""

import os
import subprocess
import sys
from contextlib import contextmanager
from urllib.parse import quote

from fake_daemon import FakeControl, FakeDaemon, wait_for_socket

from soakd.cli.client import Client


class HttpControl:
    """The verbs as a client asks for them."""

    def __init__(self, client):
        self._client = client

    def ask(self, verb, **arguments):
        if verb == "add":
            return self._client.post("/entries", arguments)
        if verb == "check":
            return self._client.post("/entries/check", arguments)
        if verb == "stop":
            return self._client.post("/stop", arguments)
        entry = quote(arguments.pop("entry_id"), safe="")
        return self._client.post(f"/entries/{entry}/{'place' if verb == 'reorder' else verb}", arguments)


@contextmanager
def fake(folder):
    control = FakeControl(folder / "journal.db")
    yield control
    control.close()


@contextmanager
def api(folder):
    daemon = FakeDaemon(folder / "state").start().wait()
    try:
        with Client(daemon.path) as client:
            yield HttpControl(client)
    finally:
        daemon.stop()


@contextmanager
def real(folder):
    home = folder / "state"
    process = subprocess.Popen(
        [sys.executable, "-m", "soakd.cli.main", "serve"],
        env={**os.environ, "SOAKD_HOME": str(home)}, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    try:
        wait_for_socket(home / "soakd.sock", process)
        with Client(home / "soakd.sock") as client:
            yield HttpControl(client)
    finally:
        process.terminate()
        said = process.communicate(timeout=20)[1]
    assert process.returncode == 0, said


CONTROLS = {"fake": fake, "api": api, "daemon": real}
