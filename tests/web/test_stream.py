"""Server-sent events: live, resumed, honest about gaps, and never at the cost of anybody else."""

import json
import socket
import time
from contextlib import contextmanager
from pathlib import Path

import pytest
from fake_daemon import RUN, free_port

from soakd.clock import SystemClock
from soakd.service.home import Home
from soakd.service.tokens import TokenFile


def kinds(text):
    """(kind, id, data) of every whole event in a stream's text."""
    found = []
    for block in text.split("\n\n"):
        fields = dict(line.split(": ", 1) for line in block.split("\n") if line and not line.startswith(":"))
        if "data" in fields:
            found.append((fields["event"], fields.get("id"), json.loads(fields["data"])))
    return found


@contextmanager
def stream(daemon, **headers):
    with daemon.client() as client, client.stream("GET", "/api/v1/events", headers=headers) as answer:
        yield answer


def read_until(answer, enough):
    text = ""
    deadline = time.monotonic() + 60
    for piece in answer.iter_text():
        text += piece
        if enough(kinds(text)):
            return kinds(text)
        assert time.monotonic() < deadline, text
    raise AssertionError(f"it ended: {text}")


def events(found):
    return [number for kind, number, _ in found if kind == "event"]


def test_the_status_comes_at_once_and_events_as_they_happen(start):
    daemon = start()
    with stream(daemon) as answer:
        assert answer.status_code == 200
        assert answer.headers["content-type"].startswith("text/event-stream")
        assert "content-length" not in answer.headers
        pieces = answer.iter_text()
        assert [kind for kind, _, _ in kinds(next(pieces))] == ["status"]
        began = time.monotonic()
        daemon.push_event(1, "seen")
        text = ""
        while not events(kinds(text)):
            text += next(pieces)
        assert time.monotonic() - began < 0.5
        (data,) = [data for kind, _, data in kinds(text) if kind == "event"]
        assert data["event"]["finding"]["text"] == "seen"
        assert (data["run_id"], data["seq"]) == ("aaaa11112222", 1)


def test_a_changed_status_is_passed_on(start):
    daemon = start()
    with stream(daemon) as answer:
        daemon.run = RUN
        daemon.push_status()
        found = read_until(answer, lambda all_: any(kind == "status" and data["run"] for kind, _, data in all_))
    assert found[-1][2]["run"]["rounds"] == RUN["rounds"]


def test_who_comes_back_is_given_what_was_missed_and_nothing_twice(start):
    daemon = start()
    for number in range(1, 11):
        daemon.push_event(number)
    time.sleep(0.3)
    with stream(daemon, **{"Last-Event-ID": "7"}) as answer:
        assert events(read_until(answer, lambda all_: "10" in events(all_))) == ["8", "9", "10"]
    with stream(daemon) as answer:
        daemon.push_event(11)
        assert events(read_until(answer, events)) == ["11"], "who does not ask gets only what is new"


def test_what_is_not_kept_any_more_is_named(start):
    daemon = start(limits={"kept_events": 5})
    for number in range(1, 21):
        daemon.push_event(number)
    time.sleep(0.3)
    with stream(daemon, **{"Last-Event-ID": "3"}) as answer:
        found = read_until(answer, lambda all_: "20" in events(all_))
    assert found[0] == ("gap", None, {"first": 4, "last": 15})
    assert events(found) == ["16", "17", "18", "19", "20"]


def test_a_number_from_before_a_new_start_gives_everything_since(start):
    daemon = start()
    daemon.push_event(1)
    daemon.push_event(2)
    time.sleep(0.3)
    with stream(daemon, **{"Last-Event-ID": "900"}) as answer:
        assert events(read_until(answer, lambda all_: "2" in events(all_))) == ["1", "2"]


@pytest.mark.parametrize("number", ["x", "-1", "1.5", "9" * 5000])
def test_a_number_that_is_none_is_refused(shared, number):
    with stream(shared, **{"Last-Event-ID": number}) as answer:
        assert answer.status_code == (400 if len(number) > 9000 else 422)


def test_a_burst_drops_nobody_who_reads(start):
    daemon = start(limits={"waiting_events": 16})
    with stream(daemon) as answer:
        pieces = answer.iter_text()
        text = next(pieces)
        lines = [{"event": {"n": n}, "run_id": "aaaa11112222", "seq": n} for n in range(1, 2001)]
        daemon.channel.sendall("".join(json.dumps(line) + "\n" for line in lines).encode())
        while "id: 2000\n" not in text:
            text += next(pieces)
    assert events(kinds(text)) == [str(number) for number in range(1, 2001)]


def test_a_slow_reader_is_dropped_and_nobody_else_notices(start):
    daemon = start(limits={"waiting_events": 64, "unread_s": 60.0})
    with socket.socket(socket.AF_UNIX) as slow, stream(daemon) as answer:
        slow.connect(str(daemon.path))
        slow.sendall(b"GET /api/v1/events HTTP/1.1\r\nHost: x\r\n\r\n")
        time.sleep(0.3)
        before = resident_mib(daemon.process.pid)
        pieces, text, number = answer.iter_text(), "", 0
        for number in range(1, 1501):
            daemon.push_event(number, "x" * 8000)
            while f"id: {number}\n" not in text:
                text = text[-9000:] + next(pieces)
        assert resident_mib(daemon.process.pid) < before + 40
        assert cut_off(slow)
    assert number == 1500


def test_a_reader_that_stands_still_is_cut_off_in_time(start):
    """Even if so little happens that nothing queues up for it."""
    daemon = start(limits={"unread_s": 0.5, "waiting_events": 100_000})
    with socket.socket(socket.AF_UNIX) as slow:
        slow.connect(str(daemon.path))
        slow.sendall(b"GET /api/v1/events HTTP/1.1\r\nHost: x\r\n\r\n")
        time.sleep(0.3)
        for number in range(1, 101):
            daemon.push_event(number, "x" * 8000)
        time.sleep(1.5)
        assert cut_off(slow)


def cut_off(line):
    """Whether the stream comes to an end; a live one says something at least every half second here."""
    line.settimeout(3.0)
    deadline = time.monotonic() + 6
    try:
        while time.monotonic() < deadline:
            if not line.recv(1 << 20):
                return True
    except ConnectionResetError:
        return True
    except TimeoutError:
        return False
    return False


def resident_mib(pid):
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * 4096 / 2**20


def test_streams_are_bounded_for_each_token_and_in_all(start):
    daemon = start(limits={"streams": 3, "streams_per_token": 1}, tcp=f"127.0.0.1:{free_port()}")
    token = TokenFile(Home(daemon.home), SystemClock()).add("a", "look")
    host, _, port = daemon.api.tcp.rpartition(":")
    ask = f"GET /api/v1/events HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {token}\r\n\r\n".encode()
    lines = []
    for _ in range(2):
        line = socket.create_connection((host, int(port)), timeout=30)
        line.sendall(ask)
        lines.append((line, line.recv(65_536)))
    with stream(daemon) as one, stream(daemon) as two, stream(daemon) as three:
        assert [one.status_code, two.status_code, three.status_code] == [200, 200, 429]
    for line, _ in lines:
        line.close()
    assert [first.split(b" ")[1] for _, first in lines] == [b"200", b"429"]
    time.sleep(0.3)
    with stream(daemon) as again:
        assert again.status_code == 200, "a stream that was closed is not counted any more"


def test_a_stream_ends_with_its_token(start):
    daemon = start(tcp=f"127.0.0.1:{free_port()}")
    tokens = TokenFile(Home(daemon.home), SystemClock())
    token = tokens.add("a", "look")
    host, _, port = daemon.api.tcp.rpartition(":")
    with socket.create_connection((host, int(port)), timeout=30) as line:
        ask = f"GET /api/v1/events HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {token}\r\n\r\n"
        line.sendall(ask.encode())
        assert line.recv(65_536).startswith(b"HTTP/1.1 200")
        tokens.remove("a")
        began, text = time.monotonic(), b""
        while b"\r\n0\r\n\r\n" not in text:
            assert time.monotonic() - began < 30
            text += line.recv(65_536)


def test_the_api_ends_at_once_with_streams_open(start):
    daemon = start()
    with stream(daemon) as answer:
        next(answer.iter_text())
        began = time.monotonic()
        daemon.process.terminate()
        assert daemon.ended(0) == ""
        assert time.monotonic() - began < 1.5
