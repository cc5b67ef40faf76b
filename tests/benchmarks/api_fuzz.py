"""Requests that are almost right, straight onto the API's Unix socket: never a 5xx, never a hang, never a death.

`python tests/benchmarks/api_fuzz.py [--requests 100000] [--seed 1]`. The process of the API is the real one behind a
stand-in for the daemon; only its rates are lifted and its patience is shortened, or most of the time would be waiting.
Touches nothing but a socket in a temporary folder.
"""

import argparse
import asyncio
import json
import random
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "web"))

from fake_daemon import PLAN, RUN, FakeDaemon

PLENTY = {"per_s": 1e9, "burst": 1e9}
LIMITS = {"reads": PLENTY, "writes": PLENTY, "strangers": PLENTY, "header_s": 0.2, "body_s": 0.1, "discard_s": 0.2}
PATIENCE_S = 10.0
AT_ONCE = 60
ENTRY = json.dumps(
    {"plan": PLAN, "sheet": {"version": 1, "name": "S", "values": {"a": "1.2 V"}}, "priority": 3}
).encode()
PARTS = [
    b"\0", b"\r\n", b"\r\n\r\n", b"%2e%2e%2f", b"../../", b"%00", b"%ff", b"\xff\xfe", b"'", b'"', b"\\", b"\\ud800",
    b"NaN", b"1e999", b"-1", b"9" * 400, b"[" * 2000, b"{" * 50, b"null", b"true", b" ", b"\t", b";", b"?most=", b"#",
    b"Transfer-Encoding: chunked\r\n", b"Content-Length: 5\r\n", b"Content-Length: -1\r\n", b"Expect: 100-continue\r\n",
    b"Connection: upgrade\r\nUpgrade: websocket\r\n", b"Connection: upgrade\r\nUpgrade: h2c\r\n", b"HTTP/2.0",
    b"Host: evil.example\r\n", b"Authorization: Bearer x\r\n", b"Origin: null\r\n", b"Last-Event-ID: 7\r\n",
    b"Content-Encoding: gzip\r\n", b"Content-Type: application/json; charset=utf-16\r\n", b"x" * 5000,
]  # fmt: skip
METHODS = [b"GET", b"POST", b"PUT", b"DELETE", b"HEAD", b"OPTIONS", b"TRACE", b"CONNECT", b"PATCH", b"get", b"X" * 99]


def request(method, path, body):
    head = [method, b" ", path, b" HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n"]
    if method == b"POST":
        head.append(b"Content-Type: application/json\r\nContent-Length: %d\r\n" % len(body))
    return b"".join(head) + b"\r\n" + body


def seeds(entry_id):
    """Method, path and body of requests that are right."""
    place = json.dumps({"place": 2, "priority": 1}).encode()
    paths = ["status", "entries?most=5", f"entries/{entry_id}", "verdicts?most=5", "verdicts/last", "events"]
    found = [("GET", path, b"") for path in [*paths, "openapi.json"]]
    found += [("POST", f"entries/{entry_id}/{verb}", b"{}") for verb in ("hold", "release")]
    found += [("POST", f"entries/{entry_id}/place", place), ("POST", "stop", b'{"reason": "x"}')]
    found += 3 * [("POST", "entries", ENTRY)]
    return [(method.encode(), f"/api/v1/{path}".encode(), body) for method, path, body in found]


def almost_right(dice, originals):
    """Half are well framed, with something wrong in the body or the path; half are cut up as bytes."""
    method, path, body = dice.choice(originals)
    if dice.random() < 0.5:
        return mutate(dice, request(method, path, body))
    if body and dice.random() < 0.8:
        return request(method, path, mutate(dice, body))
    return request(method, path[:8] + mutate(dice, path[8:]).replace(b" ", b"+").replace(b"\r\n", b""), body)


def mutate(dice, text):
    """One to five changes; now and then the length is set right again, so that the body is really read."""
    for _ in range(dice.randint(1, 5)):
        at, to = sorted(dice.randrange(len(text) + 1) for _ in range(2))
        to = min(to, at + dice.choice([1, 2, 8, 64, 1024]))
        match dice.randrange(8):
            case 0:
                text = text[:at] + dice.randbytes(1) + text[at + 1 :]
            case 1:
                text = text[:at] + text[to:]
            case 2:
                text = text[:to] + text[at:to] * dice.randint(1, 20) + text[to:]
            case 3:
                text = text[:at] + dice.choice(PARTS) + text[at:]
            case 4:
                text = text[:at] + dice.choice(PARTS) + text[to:]
            case 5:
                text = dice.choice(METHODS) + text[text.find(b" ") :] if b" " in text else text
            case 6:
                lines = text.split(b"\r\n")
                dice.shuffle(lines)
                text = b"\r\n".join(lines)
            case _:
                text = text[:at]
        text = text or b"\n"
    head, blank, body = text.partition(b"\r\n\r\n")
    if blank and b"Content-Length: " in head and dice.random() < 0.7:
        before, _, rest = head.partition(b"Content-Length: ")
        text = before + b"Content-Length: %d" % len(body) + rest[len(rest.split(b"\r\n")[0]) :] + blank + body
    return text


async def answer_to(path, text):
    """The status, `closed` for a line that was closed without one, `hung` for one that was not closed in time."""
    reader, writer = await asyncio.open_unix_connection(str(path))
    try:
        async with asyncio.timeout(PATIENCE_S):
            writer.write(text)
            line = await reader.readline()
            while line.startswith(b"HTTP/1.1 1"):
                while (await reader.readline()).strip():
                    pass
                line = await reader.readline()
            return line.split(b" ")[1].decode() if line.startswith(b"HTTP/1.1 ") else "closed"
    except (ConnectionError, ValueError):
        return "closed"
    except TimeoutError:
        return "hung"
    finally:
        writer.transport.abort()


async def fuzz(daemon, entry_id, count, seed):
    counts, wrong = Counter(), []
    numbers = iter(range(count))
    originals = seeds(entry_id)

    async def work():
        for number in numbers:
            dice = random.Random(f"{seed}/{number}")
            text = almost_right(dice, originals)
            status = await answer_to(daemon.path, text)
            counts[status] += 1
            if status == "hung" or status.startswith("5"):
                wrong.append((number, status, text[:2000]))

    await asyncio.gather(*(work() for _ in range(AT_ONCE)))
    return counts, wrong


def resident_mib(pid):
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * 4096 / 2**20


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--requests", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        daemon = FakeDaemon(Path(folder) / "state", limits=LIMITS).start().wait()
        daemon.run = RUN
        with daemon.client() as client:
            entry_id = client.post("/api/v1/entries", json={"plan": PLAN}).json()["entry_id"]
        before, began = resident_mib(daemon.process.pid), time.monotonic()
        counts, wrong = asyncio.run(fuzz(daemon, entry_id, options.requests, options.seed))
        took = time.monotonic() - began
        after, alive = resident_mib(daemon.process.pid), daemon.process.poll() is None
        with daemon.client() as client:
            well = client.get("/api/v1/status").status_code == 200
        said = daemon.stop()
    print(f"{options.requests} requests in {took:.0f} s ({options.requests / took:.0f} per second)")
    print("answers:", ", ".join(f"{status} × {count}" for status, count in counts.most_common()))
    print(f"memory {before:.0f} MiB before, {after:.0f} MiB after; alive: {alive}; answers as ever: {well}")
    for number, status, text in wrong[:10]:
        print(f"WRONG {status} at {number}: {text!r}")
    if said:
        print(f"it said on standard error:\n{said[:4000]}")
    sys.exit(0 if alive and well and not wrong and not said else 1)


if __name__ == "__main__":
    main()
