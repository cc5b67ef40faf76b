"""The daemon's side of the API: a control on a real journal, and the line over which the real process is fed."""

import contextlib
import json
import os
import socket
import subprocess
import sys
import threading
import time
import uuid
from pathlib import Path

import httpx
from pydantic import ValidationError

from soakd.clock import utc_text
from soakd.errors import SoakdError
from soakd.model.configuration import Api, Configuration
from soakd.model.entry import Checked, EntryAsk, EntryRequest, Now
from soakd.rules.entries import EntryEvent
from soakd.store.queue import Queue, claimed
from soakd.store.writer import Writer

WITH_LIMITS = Path(__file__).parent / "web_with_limits.py"
PLAN = {
    "version": 1,
    "name": "Fake",
    "guard": {"temperature": "if-available"},
    "stage": [{"name": "s", "workload": "integer", "duration": "2 s"}],
}
STATUS = {
    "soakd_version": "0",
    "now_utc": "2026-01-01T00:00:00.000Z",
    "boot_id": "b",
    "run": None,
    "queue": {"waiting": 0, "held": 0, "running": 0},
    "next": None,
    "standing": None,
}
RUN = {
    "run_id": "aaaa11112222",
    "entry_id": "bbbb11112222",
    "plan": "Fake",
    "sheet": None,
    "stage": 1,
    "stages": 2,
    "stage_name": "First",
    "elapsed_s": 10.0,
    "remaining_s": 110.0,
    "rounds": 40,
    "mismatches": 0,
    "nearest": {
        "channel": "hwmon/k10temp/Tctl", "reading": 80.0, "unit": "°C", "bound": 90.0, "side": "above", "margin": 10.0,
        "limit": "stops above 90 °C",
    },
    "cooling": None,
    "findings": [],
}  # fmt: skip


class StateError(SoakdError):
    code = "state"


class FakeControl:
    """Does to the queue what it is told, without a bench: nothing of it is checked against cores or sensors."""

    def __init__(self, journal):
        self.writer = Writer(journal)
        self.queue = Queue(self.writer)
        self.run_id = None

    def close(self):
        self.writer.close()

    def ask(self, verb, **arguments):
        return getattr(self, verb)(**arguments)

    def add(self, **fields):
        ask = EntryAsk.model_validate(fields, strict=False)
        names = ("plan", "sheet", "priority", "series", "stop_series")
        request = EntryRequest(count=ask.count or 1, **{name: getattr(ask, name) for name in names})
        now = utc_text(time.time())
        return self._said(self.queue.add(uuid.uuid4().hex[:12], now, request, now))

    def check(self, **fields):
        ask = EntryAsk.model_validate(fields, strict=False)
        return Checked(when=Now(), due_utc=utc_text(time.time()), count=ask.count or 1).model_dump(mode="json")

    def hold(self, entry_id):
        return self._moved(entry_id, EntryEvent.HOLD)

    def release(self, entry_id):
        return self._moved(entry_id, EntryEvent.RELEASE)

    def cancel(self, entry_id):
        return self._moved(entry_id, EntryEvent.CANCEL)

    def reorder(self, entry_id, place, priority):
        entry = self.queue.find(entry_id)
        if entry.state not in {"waiting", "held"}:
            raise StateError(f"entry {entry_id} is {entry.state}")
        return self._said(self.queue.reorder(entry, place=place, priority=priority))

    def drill(self, names):
        return {"begun_utc": utc_text(time.time()), "names": names or ["worker-killed"]}

    def stop(self, reason):
        assert reason is None or isinstance(reason, str)
        return {"run_id": self.run_id}

    def _moved(self, entry_id, event):
        entry = self.queue.find(entry_id)
        try:
            return self._said(self.queue.move(entry, event, event.value))
        except LookupError:
            raise StateError(f"entry {entry_id} is {entry.state}") from None

    def _said(self, entry):
        return entry.model_dump(mode="json")


class FakeDaemon:
    """Feeds the real process of the API over the real line. Everything on the journal happens in one thread."""

    def __init__(self, home, *, limits=None, **api):
        self.home = home
        self.api = Api(**api)
        self.limits = limits
        self.muted = threading.Event()
        self.deaf = threading.Event()
        self.heard = []
        self.run = None
        self.status = dict(STATUS)
        self._sending = threading.Lock()
        self._ready = threading.Event()

    @property
    def path(self):
        return Path(self.api.socket) if self.api.socket else self.home / "soakd.sock"

    def start(self):
        """In the main thread: the process dies with the thread that made it."""
        self.home.mkdir(mode=0o700, exist_ok=True)
        self.channel, theirs = socket.socketpair()
        how = ["-m", "soakd.service.web_process"] if self.limits is None else [str(WITH_LIMITS)]
        extra = [] if self.limits is None else [json.dumps(self.limits)]
        self.process = subprocess.Popen(
            [sys.executable, "-P", *how, str(os.getpid()), str(theirs.fileno()), *extra],
            pass_fds=[theirs.fileno()], stderr=subprocess.PIPE, text=True, start_new_session=True,
        )  # fmt: skip
        theirs.close()
        self.thread = threading.Thread(target=self._serve, daemon=True)
        self.thread.start()
        self._ready.wait(10)
        configuration = Configuration(api=self.api).model_dump(mode="json")
        self.push(start={"configuration": configuration, "home": str(self.home)})
        self.push_status()
        return self

    def wait(self):
        """Until it answers."""
        wait_for_socket(self.path, self.process)
        with self.client() as client:
            assert client.get("/api/v1/status").status_code == 200
        return self

    def client(self, **options):
        return httpx.Client(
            transport=httpx.HTTPTransport(uds=str(self.path)), base_url="http://localhost", timeout=20.0, **options
        )

    def push(self, **line):
        with self._sending:
            self.channel.sendall(json.dumps(line).encode() + b"\n")

    def push_status(self, **changes):
        self.push(status={**self.status, "run": self.run, "now_utc": utc_text(time.time()), **changes})

    def push_event(self, number, text="t"):
        finding = {"rule": "r", "weight": "note", "text": text}
        self.push(event={"kind": "found", "at_s": 1.0, "finding": finding}, run_id="aaaa11112222", seq=number)

    def stop(self):
        """As the daemon does it; returns what the process said on standard error."""
        self.process.terminate()
        return self.ended(None)

    def ended(self, code):
        """Waits for the end of the process; returns what it said on standard error."""
        try:
            said = self.process.communicate(timeout=20)[1]
        finally:
            self.process.kill()
            with contextlib.suppress(OSError):
                self.channel.shutdown(socket.SHUT_RDWR)
            self.thread.join(10)
            self.channel.close()
        assert code is None or self.process.returncode == code, said
        return said

    def _serve(self):
        control = FakeControl(self.home / "journal.db")
        self._ready.set()
        pending, pushed_s = b"", time.monotonic()
        self.channel.settimeout(0.5)
        while True:
            if time.monotonic() - pushed_s > 0.4 and not self.muted.is_set():
                pushed_s = time.monotonic()
                self._try(self.push_status)
            try:
                chunk = self.channel.recv(65_536)
            except TimeoutError:
                continue
            except OSError:
                break
            if not chunk:
                break
            *lines, pending = (pending + chunk).split(b"\n")
            for line in lines:
                asked = json.loads(line)
                if "verb" not in asked:
                    continue
                self.heard.append(asked)
                if not self.deaf.is_set():
                    self._try(lambda asked=asked: self.push(reply=asked["id"], **self._answer(control, asked)))
        control.close()

    def _try(self, send):
        """The process may be gone; the end of the line says so next."""
        try:
            send()
        except OSError:
            time.sleep(0.05)

    def _answer(self, control, asked):
        control.run_id = self.run and self.run["run_id"]
        try:
            return {"ok": control.ask(asked["verb"], **asked["arguments"])}
        except (SoakdError, ValidationError) as error:
            code = getattr(error, "code", "config")
            return {"error": {"code": code, "message": str(error), "hint": getattr(error, "hint", "")}}


def claim(home, entry_id):
    """As if a run of it had begun, by a second writer that holds on to nothing."""
    writer = Writer(home / "journal.db")
    queue = Queue(writer)
    writer.write([claimed(queue.find(entry_id))])
    writer.close()


def wait_for_socket(path, process):
    """Until somebody listens there."""
    deadline = time.monotonic() + 20
    while True:
        assert process.poll() is None, process.communicate()[1]
        assert time.monotonic() < deadline, "nobody listens"
        with socket.socket(socket.AF_UNIX) as probe:
            try:
                probe.connect(str(path))
            except OSError:
                time.sleep(0.05)
            else:
                return


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]
