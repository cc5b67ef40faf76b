"""A real `soakd serve` in a state folder of its own, and the plainest possible client of its API."""

import http.client
import json
import os
import signal
import socket
import sqlite3
import subprocess
import sys

from soak_bench import command, descendants, living, rows, searched, wait_until

SHORT = {
    "version": 1,
    "name": "Short",
    "coverage-floor": "80 %",
    "guard": {"temperature": "if-available"},
    "stage": [{"name": "s", "workload": "integer", "duration": "1 s"}],
}
LONG = {**SHORT, "name": "Long", "stage": [{"name": "s", "workload": "integer", "duration": "10 min"}]}

SERVE = (sys.executable, "-m", "soakd.cli.main", "serve")


class UnixConnection(http.client.HTTPConnection):
    """HTTP over a Unix socket."""

    def __init__(self, path):
        super().__init__("localhost", timeout=10)
        self._path = str(path)

    def connect(self):
        self.sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.sock.settimeout(10)
        self.sock.connect(self._path)


class DaemonBench:
    """Starts, asks, kills and starts again."""

    def __init__(self, folder):
        self.folder = folder
        self.home = searched(folder / "state")
        self.process = None
        self.log = (folder / "serve.log").open("ab")

    def start(self, *options, environment=None, command=SERVE):
        self.process = subprocess.Popen(
            [*command, *map(str, options)],
            env={**os.environ, "SOAKD_HOME": str(self.home), **(environment or {})},
            stdout=self.log, stderr=self.log, start_new_session=True,
        )  # fmt: skip
        return self

    def ready(self):
        """Until the API answers."""
        wait_until(lambda: self.status() is not None, "the API never answered", 30)
        return self

    def ask(self, method, path, body=None):
        connection = UnixConnection(self.home / "soakd.sock")
        try:
            payload = None if body is None else json.dumps(body)
            connection.request(method, f"/api/v1{path}", payload, {"content-type": "application/json"})
            answer = connection.getresponse()
            return answer.status, json.loads(answer.read() or b"null")
        finally:
            connection.close()

    def add(self, plan, **ask):
        code, entry = self.ask("POST", "/entries", {"plan": plan, **ask})
        assert code == 201, entry
        return entry["entry_id"]

    def status(self):
        try:
            code, status = self.ask("GET", "/status")
        except (OSError, http.client.HTTPException):
            return None
        return status if code == 200 else None

    def entry(self, entry_id):
        return self.ask("GET", f"/entries/{entry_id}")[1]

    def wait_for_load(self):
        wait_until(self.workers, "no load", 30)

    def everything(self):
        return descendants(self.process.pid)

    def role(self, module):
        return [pid for pid in self.everything() if module in command(pid)]

    def workers(self):
        """Forked workers carry their parent's command line: all of that name but the first-born."""
        return self.role("soakd.crew.child")[1:]

    def stop(self, timeout=30):
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(timeout)

    def kill(self):
        """kill -9 of the daemon; returns when nothing of it is left."""
        left = self.everything()
        self.process.kill()
        self.process.wait()
        wait_until(lambda: not living(left), "something survived the daemon", 30)

    def rows(self, query):
        return rows(self.home, query)

    def outcomes(self):
        return self.rows("SELECT plan, outcome FROM verdict ORDER BY finished_utc, rowid")

    def whole(self):
        """The journal passes SQLite's own check."""
        connection = sqlite3.connect(self.home / "journal.db", timeout=5)
        try:
            return connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        finally:
            connection.close()

    def close(self):
        if self.process is not None and self.process.poll() is None:
            left = self.everything()
            self.process.kill()
            self.process.wait()
            wait_until(lambda: not living(left), "something survived", 30)
        self.log.close()
