"""A run under full load: which of its processes is what, and how long the load lasts once some of them are stopped."""

import os
import signal
import time

from soak_bench import command, living, wait_until


class Soaking:
    """A run under full load, and who is who in it."""

    def __init__(self, started):
        started.wait_for_load()
        self.started = started
        self.everything = started.descendants()
        (self.guard,) = self._role("engine_process")
        (self.limiter,) = self._role("crew/limiter.py")
        self.workers = started.workers()
        self.load = self._role("soakd.crew.child")

    @property
    def parent(self):
        (pid,) = set(self.load) - set(self.workers)
        return pid

    def _role(self, words):
        return [pid for pid in self.everything if words in command(pid)]

    def stop(self, *pids):
        """SIGSTOP; returns how long it took from there until nothing of the load was left."""
        began_s = time.monotonic()
        for pid in pids:
            os.kill(pid, signal.SIGSTOP)
        wait_until(lambda: not living(self.load), "the load went on", 20)
        return time.monotonic() - began_s
