"""How long a report takes, and how large it is: ten hours at 1 Hz, by channels. `python tests/benchmarks/report.py`

The journal is written by the journal's own code; the command is timed as a user runs it, in a process of its own.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "rules"))

from run_parts import channel, end, limit, plan, record, stage, stage_events, start, tick, verdict

from soakd.model.channels import Role
from soakd.model.journal import StageAnnounced, Tick
from soakd.service.home import Home
from soakd.store.journal import Journal
from soakd.store.writer import Writer

HOURS = 10
STAGES = 12
ROLES = (Role.CPU_TEMPERATURE, Role.PACKAGE_POWER, Role.VOLTAGE, Role.FAN, Role.CORE_CLOCK, Role.COOLANT_TEMPERATURE)


def night(channels):
    """Twelve stages; every channel wanders, so that nothing compresses well."""
    draw = random.Random(1)
    inputs = [
        channel(f"hwmon/chip{n}/input{n}", ROLES[n % len(ROLES)], 110.0 if n % len(ROLES) == 0 else None)
        for n in range(channels)
    ]
    long_s = HOURS * 3600.0 / STAGES
    stages = [stage(name=f"Stage {n}", duration_s=long_s) for n in range(STAGES)]
    about = record(
        plan(*stages, limits=[limit(above="90 °C"), limit("coolant-temperature", above="80 °C")]), channels=inputs
    )
    levels = {c.name: draw.uniform(20.0, 60.0) for c in about.channels}
    events = [start()]
    for number in range(STAGES):
        began_s = 1.0 + number * long_s
        announced, started, *_, ended = stage_events(number, began_s, ticks=1)
        events += [announced, started]
        for second in range(int(long_s) - 1):
            levels = {name: min(75.0, max(5.0, value + draw.uniform(-0.3, 0.3))) for name, value in levels.items()}
            events.append(tick(began_s + 0.5 + second, len(events), number, levels))
        events.append(ended.model_copy(update={"at_s": began_s + long_s - 0.5}))
    return about, [*events, end(HOURS * 3600.0 + 2.0)]


def written(home, about, events, *, ended=True):
    """Without a commit for each tick; one that has not `ended` has no verdict."""
    from soakd.store.journal import _tick

    with closing(Writer(home.journal)) as writer:
        journal = Journal(writer)
        journal.begin(about)
        for event in events:
            if isinstance(event, StageAnnounced):
                journal.load_begins(about.run_id, event)
            elif not isinstance(event, Tick):
                journal.add(about, event)
        writer.write([_tick(about, event) for event in events if isinstance(event, Tick)])
        if ended:
            journal.finish(verdict(about, events))


def main():
    for channels in (10, 30, 100):
        with tempfile.TemporaryDirectory() as folder:
            home = Home(Path(folder))
            about, events = night(channels - 2)
            written(home, about, events)
            page = Path(folder) / "report.html"
            command = [sys.executable, "-m", "soakd.cli.main", "verdict", "report", "last", "--force", "-o", str(page)]
            took = []
            for _ in range(3):
                began = time.perf_counter()
                subprocess.run(command, check=True, env={**os.environ, "SOAKD_HOME": folder}, capture_output=True)
                took.append(time.perf_counter() - began)
            size_mb = page.stat().st_size / 1e6
            print(f"{channels:4} channels, {HOURS} h at 1 Hz: {min(took):.2f} to {max(took):.2f} s, {size_mb:.2f} MB")


if __name__ == "__main__":
    main()
