"""The probe against a real HTTP server on this machine: good answers, and everything that a server can do wrong."""

import json
import threading
import time
from contextlib import suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import pytest

from soakd.api import SoakdError
from soakd.model.plug import Plug
from soakd.sensors.plugin import PluginSource

HERE = Path(__file__).parent
GOOD = {"loop": [{"temp": 31.5}, {"temp": 29}], "flow": 3.04, "pump": {"speed": "fast", "on": True}, "huge": 10**400}
AMPLE_S = 20.0
"""How long an answer may take where being late is not what is looked at."""


def made(**options):
    spec = spec_from_file_location("json_probe_plugin", HERE / "plugin.py")
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.sensors(options)


class Server(ThreadingHTTPServer):
    """Answers as `answer` says; keeps the requests' headers."""

    daemon_threads = True

    def __init__(self):
        self.asked = []
        self.closing = threading.Event()
        self.answer = self.good
        super().__init__(("127.0.0.1", 0), Handler)

    @property
    def url(self):
        return f"http://127.0.0.1:{self.server_address[1]}/now"

    @staticmethod
    def good(handler):
        handler.reply(200, json.dumps(GOOD).encode())


class Handler(BaseHTTPRequestHandler):
    def do_GET(self):
        self.server.asked.append(dict(self.headers))
        with suppress(OSError):
            self.server.answer(self)

    def reply(self, code, body, **headers):
        self.send_response(code)
        for name, text in {"Content-Length": str(len(body)), **headers}.items():
            self.send_header(name.replace("_", "-"), text)
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_):
        pass


@pytest.fixture
def server():
    with Server() as made_server:
        thread = threading.Thread(target=made_server.serve_forever, kwargs={"poll_interval": 0.02})
        thread.start()
        yield made_server
        made_server.closing.set()
        made_server.shutdown()
        thread.join()


def probe_of(server, path="loop.0.temp", timeout_s=AMPLE_S, **channel):
    channels = {"coolant": {"path": path, "role": "coolant-temperature", **channel}}
    return made(url=server.url, channels=channels, **{"timeout-s": timeout_s})


def test_numbers_come_from_their_paths_in_one_request(server):
    probe = made(
        url=server.url,
        headers={"Authorization": "Bearer quay-77"},
        channels={
            "in": {"path": "loop.0.temp", "role": "coolant-temperature"},
            "out": {"path": "loop.1.temp", "role": "coolant-temperature"},
            "flow": {"path": "flow", "role": "coolant-flow", "scale": 60},
        },
        **{"timeout-s": AMPLE_S},
    )
    assert [channel.name for channel in probe.channels()] == ["in", "out", "flow"]
    values, gaps = probe.read()
    assert values == {"in": 31.5, "out": 29.0, "flow": pytest.approx(182.4)}
    assert gaps == {}
    (asked,) = server.asked
    assert asked["Authorization"] == "Bearer quay-77"


@pytest.mark.parametrize(
    ("path", "reason"),
    [
        ("loop.2.temp", "the answer has no loop.2"),
        ("loop.x", "the answer has no loop.x"),
        ("flow.x", "the answer has no flow.x"),
        ("nowhere", "the answer has no nowhere"),
        ("pump.speed", "pump.speed is no number"),
        ("pump.on", "pump.on is no number"),
        ("loop", "loop is no number"),
        ("huge", "huge is no finite number"),
    ],
)
def test_a_path_that_leads_to_no_number_is_a_gap_of_that_channel(server, path, reason):
    assert probe_of(server, path).read() == ({}, {"coolant": reason})


def redirect(handler):
    handler.reply(302, b"", Location="http://127.0.0.1:1/elsewhere")


def hang_up(handler):
    handler.connection.close()


def rubbish_first_line(handler):
    handler.wfile.write(b"\x00\x01\x02\r\n\r\n")


def cut_short(handler):
    handler.send_response(200)
    handler.send_header("Content-Length", "1000")
    handler.end_headers()
    handler.wfile.write(b'{"loop"')


def flood(handler):
    handler.send_response(200)
    handler.end_headers()
    while not handler.server.closing.is_set():
        handler.wfile.write(b"[" * 65536)


WRONG = {
    "an error": (lambda handler: handler.reply(503, b"no"), "the server answered 503"),
    "a redirect": (redirect, "the server answered 302"),
    "no content": (lambda handler: handler.reply(204, b""), "the server answered 204"),
    "no JSON": (lambda handler: handler.reply(200, b"<html>"), "the answer is no JSON"),
    "an empty answer": (lambda handler: handler.reply(200, b""), "the answer is no JSON"),
    "another encoding": (lambda handler: handler.reply(200, b"\xff\xfe\xfd"), "the answer is no JSON"),
    "a tower of brackets": (lambda handler: handler.reply(200, b"[" * 100_000), "the answer is no JSON"),
    "half an answer": (cut_short, "the answer is no JSON"),
    "no end": (flood, "the answer is longer than 256 KiB"),
    "nothing": (hang_up, "no answer: "),
    "another protocol": (rubbish_first_line, "no answer: "),
}


@pytest.mark.parametrize("how", WRONG)
def test_a_server_that_answers_wrongly_is_a_gap_with_the_reason(server, how):
    server.answer, reason = WRONG[how]
    values, gaps = probe_of(server).read()
    assert values == {}
    assert gaps["coolant"].startswith(reason)
    server.answer = server.good
    assert probe_of(server).read()[0] == {"coolant": 31.5}


def test_a_server_that_is_silent_or_drips_is_given_up_in_time(server):
    def silent(handler):
        handler.server.closing.wait(AMPLE_S)

    def drip(handler):
        handler.send_response(200)
        handler.end_headers()
        while not handler.server.closing.wait(0.02):
            handler.wfile.write(b" ")

    server.answer = silent
    assert probe_of(server, timeout_s=0.2).read() == ({}, {"coolant": "no answer: timed out"})
    server.answer = drip
    begun_s = time.monotonic()
    assert probe_of(server, timeout_s=0.2).read() == ({}, {"coolant": "the answer was not whole after 0.2 s"})
    assert time.monotonic() - begun_s < AMPLE_S


def test_no_server_at_all_is_a_gap():
    probe = made(url="http://127.0.0.1:1/", channels={"coolant": {"path": "t", "role": "coolant-temperature"}})
    assert probe.read() == ({}, {"coolant": "no answer: [Errno 111] Connection refused"})


@pytest.mark.parametrize(
    ("options", "wanted"),
    [
        ({"url": "file:///etc/passwd"}, "must begin with http"),
        ({"link": "http://x"}, "not link"),
        ({"url": "http://x", "channels": {"a": {"path": "b"}}}, "channels: a needs a path and a role"),
        ({"url": "http://x", "channels": {"a": {"path": "b", "role": "warmth"}}}, "'warmth' is not a valid Role"),
        ({"url": "http://x", "channels": {"a": "b"}}, "channels: a needs a path and a role"),
    ],
)
def test_options_that_cannot_be_meant_are_refused(options, wanted):
    with pytest.raises(SoakdError, match=wanted):
        made(**options)


def test_in_its_own_process_as_soakd_runs_it_and_no_secret_in_a_reason(server):
    channels = {"coolant": {"path": "loop.0.temp", "role": "coolant-temperature"}}
    options = {"url": f"{server.url}?key=quay-77-secret", "channels": channels, "timeout-s": AMPLE_S}
    plug = Plug(name="loop", kind="sensors", source=str(HERE), options=options)
    source = PluginSource(plug, answer_s=AMPLE_S, memory_mib=96.0)
    try:
        assert source.trouble is None
        assert source.read() == ({"plugin/loop/coolant": 31.5}, {})
    finally:
        source.close()
