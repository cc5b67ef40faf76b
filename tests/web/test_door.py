"""Who is let in, and every form of request that is turned away at the door."""

import contextlib
import grp
import json
import os
import socket
import subprocess
import tempfile
import time
from pathlib import Path

import httpx
import pytest
from fake_daemon import PLAN, RUN, free_port

from soakd.clock import SystemClock
from soakd.errors import SoakdError
from soakd.model.configuration import Api
from soakd.service.home import Home
from soakd.service.tokens import TokenFile
from soakd.web.listen import listening

AS_NOBODY = ["setpriv", "--reuid", "65534", "--regid", "65534", "--clear-groups"]
ASK = """
import http.client, socket, sys
connection = http.client.HTTPConnection("localhost")
connection.sock = socket.socket(socket.AF_UNIX)
connection.sock.settimeout(10)
try:
    connection.sock.connect(sys.argv[1])
except PermissionError:
    print("closed")
else:
    connection.request("POST", "/api/v1/stop", "{}", {"Content-Type": "application/json"})
    answer = connection.getresponse()
    print(answer.status, answer.read().decode())
"""
needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="not shown on this machine: only root can be somebody else")


def on_tcp(daemon, role="operate", **headers):
    bearer = {"Authorization": f"Bearer {daemon.tokens[role]}"} if role else {}
    return httpx.Client(base_url=f"http://{daemon.api.tcp}", headers={**bearer, **headers}, timeout=20.0)


def raw(daemon, request, *, tcp=False, patience=20.0):
    """Whatever is answered to these bytes until the line is closed or nothing more comes."""
    with socket.socket(socket.AF_INET if tcp else socket.AF_UNIX) as line:
        line.settimeout(patience)
        host, _, port = (daemon.api.tcp or ":0").rpartition(":")
        line.connect((host, int(port)) if tcp else str(daemon.path))
        with contextlib.suppress(BrokenPipeError):  # refused before it was all sent
            line.sendall(request)
        answer = b""
        while b"\r\n\r\n" not in answer:
            chunk = line.recv(65_536)
            if not chunk:
                break
            answer += chunk
        return answer


def code_of(answer):
    assert answer.headers["content-type"] == "application/problem+json"
    said = answer.json()
    assert set(said) == {"type", "title", "status", "detail", "code", "hint"}
    assert said["status"] == answer.status_code
    return answer.status_code, said["code"]


def test_tcp_takes_nobody_without_a_token(shared):
    with on_tcp(shared, role=None) as client:
        answer = client.get("/api/v1/status")
        assert code_of(answer) == (401, "permission")
        assert answer.headers["www-authenticate"].startswith("Bearer")
        assert code_of(client.get("/nothing/here")) == (401, "permission")


@pytest.mark.parametrize(
    "header", ["Bearer wrong", "Bearer", "Basic {}", "{}", "Bearer {}x", "Bearer x{}", "bearer\t{}"]
)
def test_tcp_takes_no_other_token_and_no_other_scheme(shared, header):
    with on_tcp(shared, role=None) as client:
        given = header.format(shared.tokens["operate"])
        assert code_of(client.get("/api/v1/status", headers={"Authorization": given})) == (401, "permission")


def test_two_tokens_at_once_are_none(shared):
    both = [("Authorization", f"Bearer {shared.tokens[role]}") for role in ("look", "operate")]
    with on_tcp(shared, role=None) as client:
        assert code_of(client.get("/api/v1/status", headers=both)) == (401, "permission")


def test_a_look_token_looks_and_no_more(shared):
    with on_tcp(shared, role="look") as client:
        assert client.get("/api/v1/status").status_code == 200
        assert code_of(client.post("/api/v1/stop", json={})) == (403, "permission")
        assert code_of(client.post("/api/v1/entries", json={"plan": PLAN})) == (403, "permission")


def test_an_operate_token_operates(shared):
    with on_tcp(shared) as client:
        assert client.post("/api/v1/entries", json={"plan": PLAN}).status_code == 201


def test_a_removed_token_is_refused_from_the_next_request_on(shared):
    tokens = TokenFile(Home(shared.home), SystemClock())
    shared.tokens["brief"] = tokens.add("brief", "look")
    with on_tcp(shared, role="brief") as client:
        assert client.get("/api/v1/status").status_code == 200
        tokens.remove("brief")
        assert client.get("/api/v1/status").status_code == 401


def test_a_token_file_that_others_could_read_lets_nobody_in(start):
    daemon = start(tcp=f"127.0.0.1:{free_port()}")
    daemon.tokens = {"operate": TokenFile(Home(daemon.home), SystemClock()).add("a", "operate")}
    file = daemon.home / "tokens.json"
    assert file.stat().st_mode & 0o777 == 0o600
    with on_tcp(daemon) as client:
        assert client.get("/api/v1/status").status_code == 200
        file.chmod(0o640)
        assert client.get("/api/v1/status").status_code == 401
        file.chmod(0o600)
        assert client.get("/api/v1/status").status_code == 200
        file.write_text("{}{")
        assert client.get("/api/v1/status").status_code == 401
    assert "no token is taken" in daemon.stop()


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "127.0.0.1.evil.example",
        "localhost.evil.example",
        "0.0.0.0",
        "[::2]",
        "127.0.0.1:80:80",
        "127.1",
        "",
    ],
)
def test_tcp_goes_by_its_own_names_only(shared, host):
    with on_tcp(shared, Host=host) as client:
        assert code_of(client.get("/api/v1/status")) == (421, "host")


@pytest.mark.parametrize("host", ["localhost", "LOCALHOST:99", "127.0.0.1", "[::1]:8080"])
def test_tcp_goes_by_each_of_its_names(shared, host):
    with on_tcp(shared, Host=host) as client:
        assert client.get("/api/v1/status").status_code == 200


def test_a_request_without_a_host_is_refused_on_tcp(shared):
    request = f"GET /api/v1/status HTTP/1.0\r\nAuthorization: Bearer {shared.tokens['look']}\r\n\r\n"
    assert raw(shared, request.encode(), tcp=True).startswith(b"HTTP/1.1 421 ")


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://localhost:1"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_a_page_of_another_origin_changes_nothing(shared, headers):
    before = len(shared.heard)
    with on_tcp(shared) as tcp, shared.client() as unix:
        for client in (tcp, unix):
            assert code_of(client.post("/api/v1/stop", json={}, headers=headers)) == (403, "origin")
    assert len(shared.heard) == before


def test_a_page_of_our_own_may(shared):
    with on_tcp(shared, Origin=f"http://{shared.api.tcp}", **{"Sec-Fetch-Site": "same-origin"}) as client:
        assert client.post("/api/v1/stop", json={}).status_code == 200


def test_no_answer_opens_anything_to_other_origins(shared):
    with shared.client() as client:
        answers = [client.get("/api/v1/status", headers={"Origin": "http://evil.example"})]
        preflight = {"Origin": "http://evil.example", "Access-Control-Request-Method": "POST"}
        answers.append(client.options("/api/v1/stop", headers=preflight))
        answers.append(client.get("/nothing"))
    assert [answer.status_code for answer in answers] == [200, 405, 404]
    for answer in answers:
        assert not [name for name in answer.headers if name.startswith("access-control")]
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["cache-control"] == "no-store"
        assert "default-src 'none'" in answer.headers["content-security-policy"]
        assert "server" not in answer.headers


@pytest.mark.parametrize(
    "kind",
    [None, "text/plain", "application/x-www-form-urlencoded", "multipart/form-data", "application/json-x",
     "application/json; charset=latin-1", "application/json, text/plain", "text/json"],
)  # fmt: skip
def test_only_json_is_taken(shared, kind):
    with shared.client() as client:
        headers = {} if kind is None else {"Content-Type": kind}
        assert code_of(client.post("/api/v1/stop", content=b"{}", headers=headers)) == (415, "media-type")


def test_packed_bodies_are_not_taken(shared):
    headers = {"Content-Type": "application/json", "Content-Encoding": "gzip"}
    with shared.client() as client:
        assert code_of(client.post("/api/v1/stop", content=b"{}", headers=headers)) == (415, "media-type")


@pytest.mark.parametrize(
    "body",
    [
        b"", b"null", b"[]", b'"x"', b"{", b"\xff", b'{"reason": 1}', b'{"reason": "x", "more": 1}',
        b'{"reason": NaN}', b'{"reason": "\\ud800"}', b'{"reason": "' + b"x" * 501 + b'"}', b"[" * 100_000,
    ],
)  # fmt: skip
def test_a_body_is_what_is_described_or_refused(shared, body):
    with shared.client() as client:
        answer = client.post("/api/v1/stop", content=body, headers={"Content-Type": "application/json"})
    assert (answer.status_code == 200) is (body == b"")
    if body:
        assert code_of(answer) == (422, "usage")


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"plan": PLAN, "planning": {}}, "planning"),
        ({"plan": {**PLAN, "colour": 1}}, "plan.colour"),
        ({"plan": PLAN, "priority": 101}, "priority"),
        ({"plan": PLAN, "priority": "1"}, "priority"),
        ({"plan": PLAN, "priority": 1e400}, "priority"),
        ({"plan": PLAN, "count": 0}, "count"),
        ({"plan": PLAN, "at": "23:00", "cron": "0 23 * * fri"}, "cron"),
        ({"plan": PLAN, "after_any": True}, "after_any"),
        ({"plan": PLAN, "settle": 5}, "settle"),
        ({"plan": {**PLAN, "stage": []}}, "plan.stage"),
    ],
)
def test_an_entry_is_refused_with_the_place_that_is_wrong(shared, change, named):
    with shared.client() as client:
        content = json.dumps(change)
        answer = client.post("/api/v1/entries", content=content, headers={"Content-Type": "application/json"})
    assert code_of(answer) == (422, "usage")
    assert named in answer.json()["detail"]


@pytest.mark.parametrize("place", [-1, 10**9 + 1, 2**63, 1.5, "1", None, True])
def test_a_place_is_a_small_whole_number(shared, place):
    with shared.client() as client:
        entry_id = client.post("/api/v1/entries", json={"plan": PLAN}).json()["entry_id"]
        answer = client.post(f"/api/v1/entries/{entry_id}/place", json={"place": place, "priority": 0})
    assert code_of(answer) == (422, "usage")


def test_a_body_too_large_is_refused_before_it_is_sent_and_while_it_is(shared):
    head = b"POST /api/v1/stop HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n"
    announced = head + b"Content-Length: 262145\r\n\r\n"
    assert raw(shared, announced).startswith(b"HTTP/1.1 413 ")
    chunk = b"10000\r\n" + b" " * 65_536 + b"\r\n"
    assert raw(shared, head + b"Transfer-Encoding: chunked\r\n\r\n" + 5 * chunk).startswith(b"HTTP/1.1 413 ")
    with shared.client() as client:
        just = b'{"reason": null' + b" " * (262_144 - 16) + b"}"
        assert len(just) == 262_144
        assert client.post("/api/v1/stop", content=just, headers={"Content-Type": "application/json"}).is_success


def test_long_headers_are_refused(shared):
    head = b"GET /api/v1/status HTTP/1.1\r\nHost: localhost\r\n"
    assert raw(shared, head + b"X: " + b"x" * 17_000 + b"\r\n\r\n").startswith(b"HTTP/1.1 431 ")
    assert raw(shared, head + b"X: y\r\n" * 4000 + b"\r\n").startswith(b"HTTP/1.1 431 ")
    assert raw(shared, head + b"X: " + b"x" * 300_000).startswith(b"HTTP/1.1 400 "), "and without an end"


def test_slow_headers_and_slow_bodies_are_cut_off(start):
    daemon = start(limits={"header_s": 0.5, "body_s": 0.5, "discard_s": 1.0})
    began = time.monotonic()
    assert raw(daemon, b"GET /api/v1/status HTTP/1.1\r\n", patience=5.0) == b""
    assert raw(daemon, b"", patience=5.0) == b"", "a line on which nothing is asked"
    with socket.socket(socket.AF_UNIX) as line:
        line.connect(str(daemon.path))
        line.sendall(b"GET /api/v1/status HTTP/1.1\r\nHost: x\r\n\r\n")
        line.settimeout(5.0)
        answer = b""
        while not answer.endswith(b"}"):
            answer += line.recv(65_536)
        assert answer.startswith(b"HTTP/1.1 200 ")
        line.sendall(b"G")
        assert line.recv(65_536) == b"", "nor may a second request take its time"
    head = b"POST /api/v1/stop HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\nContent-Length: 9\r\n\r\n"
    assert raw(daemon, head + b"{", patience=5.0).startswith(b"HTTP/1.1 408 ")
    assert 1.9 < time.monotonic() - began < 5.0


def test_too_many_requests_are_told_when_to_come_back(start):
    few = {"per_s": 2.0, "burst": 5.0}
    daemon = start(limits={"reads": few, "writes": few, "strangers": few}, tcp=f"127.0.0.1:{free_port()}")
    tokens = TokenFile(Home(daemon.home), SystemClock())
    daemon.tokens = {"operate": tokens.add("a", "operate"), "look": tokens.add("b", "look")}
    with on_tcp(daemon) as client, on_tcp(daemon, role="look") as other, on_tcp(daemon, role=None) as stranger:
        answers = [client.get("/api/v1/status") for _ in range(8)]
        codes = [answer.status_code for answer in answers]
        assert codes[:5] == [200] * 5
        assert 429 in codes[5:]
        refused = next(answer for answer in answers if answer.status_code == 429)
        assert code_of(refused) == (429, "too-many")
        assert int(refused.headers["retry-after"]) == 1
        assert client.post("/api/v1/stop", json={}).status_code == 200, "writes are counted apart"
        assert other.get("/api/v1/status").status_code == 200, "another caller is not made to wait"
        assert 429 in [stranger.get("/api/v1/status").status_code for _ in range(8)]
        assert other.get("/api/v1/status").status_code == 200, "strangers cannot keep a token out"
        time.sleep(0.6)
        assert client.get("/api/v1/status").status_code == 200


def test_as_many_lines_as_are_served_and_not_one_more(start):
    daemon = start(limits={"tcp_connections": 4}, tcp=f"127.0.0.1:{free_port()}")
    host, _, port = daemon.api.tcp.rpartition(":")
    lines = [socket.create_connection((host, int(port))) for _ in range(12)]
    time.sleep(0.3)
    closed = 0
    for line in lines:
        line.settimeout(0.05)
        try:
            closed += line.recv(1) == b""
        except ConnectionResetError:
            closed += 1
        except TimeoutError:
            pass
    with daemon.client() as client:
        assert client.get("/api/v1/status").status_code == 200, "the Unix socket has lines of its own"
    for line in lines:
        line.close()
    assert closed == 8


def open_the_way_to(folder):
    """For everybody, from the top of the temporary files down; what lies elsewhere is left as it is."""
    for above in (folder, *folder.parents):
        if above.is_relative_to(tempfile.gettempdir()) and above != Path(tempfile.gettempdir()):
            above.chmod(0o755)


@needs_root
def test_nobody_in_particular_does_not_reach_the_socket(start, tmp_path):
    tmp_path.chmod(0o755)
    assert as_nobody(start().path) == "closed"


@needs_root
def test_whoever_does_reach_it_is_asked_who_it_is(start, tmp_path):
    """Even with every door on the way open, the kernel's word counts."""
    open_the_way_to(tmp_path)
    daemon = start()
    daemon.home.chmod(0o755)
    daemon.path.chmod(0o666)
    assert as_nobody(daemon.path).startswith("403 ")
    assert daemon.heard == []


@needs_root
@pytest.mark.parametrize("how", [["--regid", "GROUP", "--clear-groups"], ["--regid", "65534", "--groups", "GROUP"]])
def test_members_of_the_group_operate(start, tmp_path, how):
    """As their first group, and as one of the others."""
    group = next(each for each in grp.getgrall() if each.gr_gid not in {0, 65534})
    open_the_way_to(tmp_path)
    daemon = start(group=group.gr_name)
    assert (daemon.path.stat().st_mode & 0o777, daemon.path.stat().st_gid) == (0o660, group.gr_gid)
    assert (daemon.home.stat().st_mode & 0o777, daemon.home.stat().st_gid) == (0o750, group.gr_gid)
    words = [str(group.gr_gid) if word == "GROUP" else word for word in how]
    assert as_somebody(daemon.path, ["setpriv", "--reuid", "65534", *words]).startswith("200 ")
    assert as_nobody(daemon.path) == "closed"


def test_only_its_owner_may_name_a_program_to_run(shared):
    hook = {"command": ["/bin/true"]}
    body = {"plan": PLAN, "sheet": {"version": 1, "name": "S"}, "hook": hook}
    with on_tcp(shared) as tcp, shared.client() as unix:
        assert code_of(tcp.post("/api/v1/entries", json=body)) == (403, "permission")
        assert unix.post("/api/v1/entries", json=body).status_code == 201


def as_nobody(path):
    return as_somebody(path, AS_NOBODY)


def as_somebody(path, prefix):
    done = subprocess.run(
        [*prefix, "/usr/bin/env", "python3", "-c", ASK, str(path)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def test_the_socket_is_for_its_owner_alone_without_a_group(start):
    daemon = start()
    assert daemon.path.stat().st_mode & 0o777 == 0o600
    assert daemon.home.stat().st_mode & 0o777 == 0o700


def test_a_stale_socket_is_replaced(start):
    first = start()
    first.process.kill()
    first.ended(-9)
    assert first.path.is_socket(), "a killed process leaves it behind"
    second = start()
    with second.client() as client:
        assert client.get("/api/v1/status").status_code == 200
    second.stop()
    assert not second.path.exists(), "one that ends well does not"


def test_a_live_socket_is_refused_and_left_alone(start):
    first = start()
    second = start(wait=False)
    assert "in use by another process" in second.ended(78)
    with first.client() as client:
        assert client.get("/api/v1/status").status_code == 200


def refused(home, **api):
    with pytest.raises(SoakdError) as error, listening(Api(**api), home, None):
        pass
    assert error.value.exit_code == 78
    return error.value.message


def test_a_file_in_its_place_is_refused_and_left_alone(tmp_path):
    file = tmp_path / "x.sock"
    file.write_text("mine")
    assert "is no socket" in refused(tmp_path, socket=str(file))
    assert file.read_text() == "mine"


def test_a_folder_that_everybody_can_write_is_refused(tmp_path):
    folder = tmp_path / "open"
    folder.mkdir()
    folder.chmod(0o1777)
    assert "everybody may write here" in refused(tmp_path, socket=str(folder / "x.sock"))
    assert list(folder.iterdir()) == []


def test_a_port_that_is_none_or_taken_is_refused_and_no_socket_is_left(tmp_path):
    assert "between 1 and 65535" in refused(tmp_path, tcp="127.0.0.1:99999")
    with socket.create_server(("127.0.0.1", 0)) as other:
        assert "cannot listen" in refused(tmp_path, tcp=f"127.0.0.1:{other.getsockname()[1]}")
    assert list(tmp_path.iterdir()) == []


def test_a_path_too_long_for_a_socket_is_refused(tmp_path):
    assert "cannot listen" in refused(tmp_path, socket=str(tmp_path / ("x" * 200)))


def test_a_configuration_that_cannot_be_is_one_line(start):
    line = start(wait=False, group="no-such-group-here").ended(78)
    assert "there is no group" in line
    assert "Traceback" not in line


def test_the_process_dies_with_the_daemon_and_leaves_when_the_line_is_closed(start):
    daemon = start()
    daemon.channel.shutdown(socket.SHUT_RDWR)
    assert daemon.ended(0) == ""
    assert not daemon.path.exists()


def test_a_daemon_that_does_not_answer_is_not_waited_for_without_end(start):
    daemon = start(limits={"answer_s": 0.5})
    daemon.deaf.set()
    with daemon.client() as client:
        answer = client.post("/api/v1/stop", json={})
        assert code_of(answer) == (503, "unreachable")
        daemon.deaf.clear()
        daemon.run = RUN
        assert client.post("/api/v1/stop", json={}).json() == {"run_id": RUN["run_id"]}
