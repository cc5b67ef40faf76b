"""How soon a page is there, and how fresh it stays. `python tests/benchmarks/page.py`

Ten hours of a run that goes on, 100 channels, every core saturated. The journal is written by its own code, the pages
come from the real process, the browser is real and on the same cores. Aims: first paint within 1 s, a reading on the
open page within 0.5 s of its tick, 400 kB.
"""

import argparse
import json
import multiprocessing
import os
import resource
import statistics
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "web"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "rules"))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from browsing import Opened, started_browser
from fake_daemon import RUN, FakeDaemon, free_port
from report import night, written
from run_parts import tick

from soakd.clock import SystemClock
from soakd.model.journal import RunEnded, StageEnded, Tick
from soakd.service.home import Home
from soakd.service.tokens import TokenFile
from soakd.store.journal import Journal
from soakd.store.writer import Writer

OPENED = 9
TICKS = 40
WATCH = """
() => {
  const place = document.getElementById("part-strips");
  window.seen = [];
  new MutationObserver(() => window.seen.push(Date.now() / 1000)).observe(place, { childList: true, subtree: true });
}
"""


def spin(until):
    while time.monotonic() < until:
        pass


def tell(daemon, about, event):
    daemon.run = {**RUN, "run_id": about.run_id, "nearest": None}
    daemon.push(event=json.loads(event.model_dump_json()), run_id=about.run_id, seq=getattr(event, "number", 0) + 1)
    daemon.push_status()


def processor_s(pid):
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def spread(values, scale, unit):
    ordered = sorted(scale * value for value in values)
    return f"median {statistics.median(ordered):.0f} {unit}, at most {ordered[-1]:.0f} {unit} ({len(ordered)} times)"


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--idle", action="store_true", help="without saturating the cores")
    options = parser.parse_args()
    about, events = night(98)
    ended = max(number for number, event in enumerate(events) if isinstance(event, StageEnded))
    events = [event for event in events[:ended] if not isinstance(event, RunEnded)]
    last = next(event for event in reversed(events) if isinstance(event, Tick))
    with tempfile.TemporaryDirectory() as folder:
        state = Path(folder) / "state"
        state.mkdir(mode=0o700)
        written(Home(state), about, events, ended=False)
        daemon = FakeDaemon(state, tcp=f"127.0.0.1:{free_port()}").start().wait()
        token = TokenFile(Home(state), SystemClock()).add("bench", "look")
        origin = f"http://{daemon.api.tcp}"
        cookie = {"name": "soakd-token", "value": token, "url": origin}
        until = time.monotonic() + 600
        spinning = [
            multiprocessing.Process(target=spin, args=(until,), daemon=True)
            for _ in range(0 if options.idle else len(os.sched_getaffinity(0)))
        ]
        for each in spinning:
            each.start()
        try:
            began = time.monotonic()
            tell(daemon, about, last)
            with daemon.client(headers={"accept": "text/html"}) as client:
                while "so far" not in (text := client.get("/").text) or "is being read" in text:
                    time.sleep(0.5)
                print(f"the night so far is read in {time.monotonic() - began:.1f} s")
                answers = []
                for _ in range(OPENED):
                    asked = time.monotonic()
                    client.get("/")
                    answers.append(time.monotonic() - asked)
                print(f"the page is answered: {spread(answers, 1e3, 'ms')}")
            measured(daemon, origin, cookie, about, last, state)
        finally:
            for each in spinning:
                each.terminate()
            daemon.stop()


def measured(daemon, origin, cookie, about, last, state):
    paints, weights = [], []
    with started_browser() as browser:
        for _ in range(OPENED):
            with Opened(browser, f"{origin}/", cookies=[cookie], viewport={"width": 1280, "height": 900}) as page:
                page.page.locator(".part-strips svg.plot").first.wait_for()
                paints.append(page.page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime"))
                weights.append(
                    page.page.evaluate(
                        "[...performance.getEntriesByType('navigation'), ...performance.getEntriesByType('resource')]"
                        ".filter((each) => !each.name.endsWith('/live'))"
                        ".reduce((sum, each) => sum + each.encodedBodySize, 0)"
                    )
                )
        print(f"first paint: {spread(paints, 1, 'ms')}; {max(weights) / 1e3:.0f} kB")
        with Opened(browser, f"{origin}/", cookies=[cookie], viewport={"width": 1280, "height": 900}) as page:
            page.page.evaluate(WATCH)
            before_s, began = processor_s(daemon.process.pid), time.monotonic()
            told = []
            with closing(Writer(state / "journal.db")) as writer:
                journal = Journal(writer)
                for number in range(1, TICKS + 1):
                    values = {name: value + (number % 7) for name, value in last.values.items()}
                    event = tick(last.at_s + number, last.number + number, last.stage, values)
                    told.append(time.time())
                    journal.add(about, event)
                    tell(daemon, about, event)
                    time.sleep(max(0.0, told[-1] + 1.0 - time.time()))
            time.sleep(1.0)
            seen = page.page.evaluate("window.seen")
            share = 100.0 * (processor_s(daemon.process.pid) - before_s) / (time.monotonic() - began)
    late = [min(each - at for each in seen if each >= at) for at in told if any(each >= at for each in seen)]
    print(f"a reading on the open page: {spread(late, 1e3, 'ms')} after its tick; {len(told)} told")
    print(f"the process of the API: {share:.1f} % of a core meanwhile, {peak_mib(daemon.process.pid):.0f} MiB at most")


def peak_mib(pid):
    text = Path(f"/proc/{pid}/status").read_text()
    return int(text.partition("VmHWM:")[2].split()[0]) / 1024


if __name__ == "__main__":
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    main()
