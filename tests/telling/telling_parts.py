import json
import socket
import threading
import time
import warnings
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import apprise
import pytest
from aiosmtpd.controller import Controller

from soakd.clock import FakeClock
from soakd.model.configuration import Configuration, Target
from soakd.service.telling import Teller
from soakd.store.outbox import Outbox
from soakd.store.writer import Writer


@pytest.fixture(scope="session", autouse=True)
def library():
    """Loaded once ahead: some of its parts use what Python has deprecated, and here every warning is an error."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        assert apprise.Apprise().add("json://localhost/")


class Webhook:
    """A real server on loopback that can be told how to behave."""

    def __init__(self, port=0):
        self.got = []
        self.mode = "fine"
        self.release = threading.Event()
        hook = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self):
                body = self.rfile.read(int(self.headers["Content-Length"]))
                if hook.mode == "hangs":
                    hook.release.wait(20)
                hook.got.append((self.path, json.loads(body)))
                self.send_response(500 if hook.mode == "refuses" else 200)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_):
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
        self.port = self.server.server_address[1]
        self.thread = threading.Thread(target=self.server.serve_forever, kwargs={"poll_interval": 0.02})
        self.thread.start()

    @property
    def url(self):
        return f"json://127.0.0.1:{self.port}/planted-secret?rto=1&cto=1"

    @property
    def messages(self):
        return [body["message"] for _, body in self.got]

    def close(self):
        self.release.set()
        self.server.shutdown()
        self.server.server_close()
        self.thread.join(5)


@pytest.fixture
def webhooks():
    made = []

    def make(port=0):
        made.append(Webhook(port))
        return made[-1]

    yield make
    for hook in made:
        hook.close()


@pytest.fixture
def mailbox():
    """A real mail server on loopback; `letters` is what it took."""

    class Handler:
        def __init__(self):
            self.letters = []

        async def handle_DATA(self, _server, _session, envelope):  # noqa: N802 - the library's name
            self.letters.append(envelope)
            return "250 OK"

    handler = Handler()
    controller = Controller(handler, hostname="127.0.0.1", port=free_port())
    controller.start()
    handler.port = controller.port
    yield handler
    controller.stop()


@pytest.fixture
def clock():
    return FakeClock()


@pytest.fixture
def outbox(tmp_path):
    writer = Writer(tmp_path / "journal.db")
    yield Outbox(writer)
    writer.close()


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def target(url, name="hook", **more):
    return Target(name=name, url=url, **more)


def teller(outbox, clock, *targets, zone="UTC", **more):
    return Teller(outbox, Configuration(bench="Lantern", zone=zone, targets=targets), clock, **more)


def until(tell, condition, timeout_s=10.0):
    """Collect as the daemon's loop does, until something is true."""
    end = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end, "it never came true"
        tell.collect()
        time.sleep(0.01)


@contextmanager
def faster_than(limit_s):
    began = time.monotonic()
    yield
    assert time.monotonic() - began < limit_s
