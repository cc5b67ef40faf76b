"""A hardware watchdog that writes down what is done to it: fake_watchdog.c, and no kernel is involved."""

import os
import shutil
import subprocess
from pathlib import Path

SOURCE = Path(__file__).with_suffix(".c")
NO_COMPILER = "not shown on this machine: there is no C compiler for the fake watchdog"
DEVICE = "/dev/full"
"""A device that everybody may open for writing and hardly anybody does; nothing is ever written to it here."""


class FakeWatchdog:
    """With its log in a folder; takes a compiler."""

    def __init__(self, folder, **how):
        """`how`: most or fixed, in seconds."""
        self._log = folder / "watchdog.log"
        library = folder / "fake_watchdog.so"
        compiler = shutil.which("cc") or shutil.which("gcc")
        subprocess.run([compiler, "-shared", "-fPIC", "-O1", "-o", library, SOURCE, "-ldl"], check=True)
        self.environment = {
            "LD_PRELOAD": str(library),
            "FAKE_WATCHDOG": DEVICE,
            "FAKE_WATCHDOG_LOG": str(self._log),
            **{f"FAKE_WATCHDOG_{name.upper()}": str(seconds) for name, seconds in how.items()},
        }

    def lines(self):
        """Moment (monotonic clock), process, what was done."""
        if not self._log.exists():
            return []
        found = [line.split(" ", 2) for line in self._log.read_text().splitlines()]
        return [(float(moment), int(pid), what) for moment, pid, what in found]

    def done(self):
        """What was done, repeated pings as one."""
        story = []
        for _, _, what in self.lines():
            if what != "ping" or story[-1:] != ["ping"]:
                story.append(what)
        return story

    def pings(self):
        return [(moment, pid) for moment, pid, what in self.lines() if what == "ping"]


def compiler_is_there():
    return (shutil.which("cc") or shutil.which("gcc")) is not None


def with_shim(fake):
    """The environment of a command that sees it."""
    return {**os.environ, **fake.environment}
