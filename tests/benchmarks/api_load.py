"""Many streams and a storm of requests at once: how late are events, how large does the API's process get?

`python tests/benchmarks/api_load.py [--streams 200] [--hammers 4] [--seconds 20] [--lifted]`. Only on a Unix socket in
a temporary folder. With `--lifted` the rate limits are, so that the storm is served and not turned away.
"""

import argparse
import asyncio
import json
import multiprocessing
import os
import statistics
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "web"))

from fake_daemon import PLAN, RUN, FakeDaemon

PLENTY = {"per_s": 1e9, "burst": 1e9}
EVENTS_PER_S = 10
LONGEST_S = 120
HEAD = b"GET /api/v1/%s HTTP/1.1\r\nHost: localhost\r\n\r\n"


async def listen(path, until, lates):
    """How late each event was, in milliseconds; the monotonic clock is one for the whole machine."""
    reader, writer = await asyncio.open_unix_connection(str(path), limit=1 << 20)
    writer.write(HEAD % b"events")
    try:
        if not (await reader.readline()).startswith(b"HTTP/1.1 200"):
            return "refused"
        while (left := until - time.monotonic()) > 0:
            async with asyncio.timeout(left):
                line = await reader.readline()
            if not line:
                return "dropped"
            if line.startswith(b"data: ") and b'"finding"' in line:
                pushed = float(json.loads(line[6:])["event"]["finding"]["text"])
                lates.append((time.monotonic() - pushed) * 1000)
    except TimeoutError:
        pass
    finally:
        writer.transport.abort()
    return "to the end"


async def look(path, until):
    """An open page: shown once, then told of what changes until the end."""
    reader, writer = await asyncio.open_unix_connection(str(path), limit=1 << 22)
    told = 0
    try:
        for address in (b"/", b"/live"):
            writer.write(b"GET %s HTTP/1.1\r\nHost: localhost\r\nAccept: text/html\r\n\r\n" % address)
            head = await reader.readuntil(b"\r\n\r\n")
            if not head.startswith(b"HTTP/1.1 200"):
                return "refused"
            length = [line for line in head.split(b"\r\n") if line.lower().startswith(b"content-length:")]
            if length:
                await reader.readexactly(int(length[0][15:]))
        while (left := until - time.monotonic()) > 0:
            async with asyncio.timeout(left):
                line = await reader.readline()
            if not line:
                return "dropped"
            told += line.startswith(b"event: parts")
    except TimeoutError:
        pass
    finally:
        writer.transport.abort()
    return "to the end" if told else "told nothing"


def pages(path, count, until, results):
    async def all_of_them():
        results.put(("pages", Counter(await asyncio.gather(*(look(path, until) for _ in range(count)))), []))

    asyncio.run(all_of_them())


def streams(path, count, until, results):
    async def all_of_them():
        lates = []
        ends = await asyncio.gather(*(listen(path, until, lates) for _ in range(count)))
        results.put(("streams", Counter(ends), lates))

    asyncio.run(all_of_them())


async def hammer(path, until, counts, took):
    """One request after another on one line; now and then something is written."""
    body = json.dumps({"plan": PLAN}).encode()
    post = b"POST /api/v1/entries HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n"
    post += b"Content-Length: %d\r\n\r\n" % len(body) + body
    asks = [HEAD % b"status", HEAD % b"entries?most=50", HEAD % b"verdicts", post]
    reader, writer = await asyncio.open_unix_connection(str(path), limit=1 << 20)
    number = 0
    while time.monotonic() < until:
        began = time.monotonic()
        writer.write(asks[number % len(asks)])
        number += 1
        head = await reader.readuntil(b"\r\n\r\n")
        length = next(int(line[15:]) for line in head.split(b"\r\n") if line.lower().startswith(b"content-length:"))
        await reader.readexactly(length)
        counts[head.split(b" ")[1].decode()] += 1
        took.append((time.monotonic() - began) * 1000)
    writer.close()


def hammers(path, count, until, results):
    async def all_of_them():
        counts, took = Counter(), []
        await asyncio.gather(*(hammer(path, until, counts, took) for _ in range(count)))
        results.put(("hammers", counts, took))

    asyncio.run(all_of_them())


def cpu_s(pid):
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def resident_mib(pid):
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * 4096 / 2**20


def spread(values):
    ordered = sorted(values)
    most = ordered[int(len(ordered) * 0.99)]
    return f"median {statistics.median(ordered):.1f} ms, 99 % within {most:.1f} ms, at most {ordered[-1]:.1f} ms"


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--streams", type=int, default=200)
    parser.add_argument("--hammers", type=int, default=4)
    parser.add_argument("--seconds", type=int, default=20)
    parser.add_argument("--lifted", action="store_true")
    options = parser.parse_args()
    seconds = min(options.seconds, LONGEST_S)
    limits = {"reads": PLENTY, "writes": PLENTY} if options.lifted else None
    with tempfile.TemporaryDirectory() as folder:
        daemon = FakeDaemon(Path(folder) / "state", limits=limits).start().wait()
        daemon.run = RUN
        pid, results = daemon.process.pid, multiprocessing.get_context("spawn").Queue()
        before, until = resident_mib(pid), time.monotonic() + seconds + 3
        crowd = [
            multiprocessing.get_context("spawn").Process(target=work, args=(daemon.path, count, until, results))
            for work, count in ((streams, options.streams), (hammers, options.hammers))
            if count
        ]
        for each in crowd:
            each.start()
        time.sleep(2.5)
        used, most, number = cpu_s(pid), 0.0, 0
        while time.monotonic() < until:
            number += 1
            daemon.push_event(number, f"{time.monotonic():.6f}")
            most = max(most, resident_mib(pid))
            time.sleep(1 / EVENTS_PER_S)
        used = (cpu_s(pid) - used) / seconds
        found = [results.get(timeout=30) for _ in crowd]
        for each in crowd:
            each.join()
        alive, said = daemon.process.poll() is None, daemon.stop()
    for kind, counts, values in found:
        print(f"{kind}: {dict(counts)}; {spread(values) if values else 'nothing came'}")
        if kind == "hammers":
            print(f"  {sum(counts.values()) / (seconds + 3):.0f} requests per second answered")
    print(f"memory {before:.0f} MiB before, {most:.0f} MiB at most; {used:.2f} cores; alive: {alive}; {number} events")
    broken = any(status.startswith("5") for kind, counts, _ in found if kind == "hammers" for status in counts)
    lost = any(set(counts) - {"to the end"} for kind, counts, _ in found if kind == "streams")
    if said:
        print(f"it said on standard error:\n{said[:4000]}")
    sys.exit(0 if alive and not said and not broken and not lost else 1)


if __name__ == "__main__":
    main()
