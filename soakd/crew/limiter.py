"""The limiter: a tiny process beside the guard that can do one thing, take the load away.

A second device with a reading of its own and a higher setting, as EN 61010-2-010 and DIN 12880 ask of heating
equipment. Run as a file by the service, before the guard's process: `python -I -S limiter.py LIFELINE WORDS TALE RUN
DARK_MS [INDEX PATH ABOVE_MC HOLD_MS]…`. It imports nothing of ours, so that nothing of ours can break it.

LIFELINE is a pipe whose other end the guard's process alone holds: its closing says that the guard is gone, by whatever
cause, and then so must be its crew. There is no PR_SET_PDEATHSIG here: a service that is killed would take its last
resort along at the very moment when it may be needed.
"""

import mmap
import os
import select
import signal
import sys
import time

GUARD_BEATS, CREW, LIMITER_BEATS, STANDING, CAUSE, CHANNEL, READING, HELD_MS, GONE_US, SURVIVORS, DONE = range(11)
"""Words of the shared memory: the guard writes the first two, the limiter all others. READING is in m°C."""
WORDS_BYTES = 16 * 8
TALE_BYTES = 256
AS_FIFO, LOCKED = 1, 2
"""Bits of STANDING: what the system permitted."""
GUARD_STILL, TOO_HOT, DARK = 1, 2, 3
"""Values of CAUSE."""
PRIORITY = 11
"""Above the guard's own."""
TURN_S = 0.25
PATIENCE_S = 2.0
"""How long the guard's loop may stand still while there is a crew."""
GONE_DEADLINE_S = 10.0
_CREDIBLE_MC = range(-60_000, 150_001)
_MCL_CURRENT = 1


class Crew:
    """The session of the crew's parent process: every worker is forked into it."""

    def __init__(self, leader: int) -> None:
        """Raises ProcessLookupError when it has been reaped already."""
        self._leader = leader
        self._descriptor = os.pidfd_open(leader)

    def led(self) -> bool:
        """Whether its parent process lives: one that the guard has killed is on its way out with all others."""
        return not _ended(self._descriptor)

    def kill(self, deadline_s: float = GONE_DEADLINE_S) -> int:
        """SIGKILL to all of it, stopped or not, until none is left; returns how many are. The parent forks no more."""
        end_s = time.perf_counter() + deadline_s
        while True:
            _kill(self._descriptor)
            living = self._living()
            for descriptor in living:
                _kill(descriptor)
            if living and time.perf_counter() < end_s:
                _any_ended(living, 0.05)
            for descriptor in living:
                os.close(descriptor)
            if not living or time.perf_counter() >= end_s:
                return len(living)

    def _living(self) -> list[int]:
        """Descriptors of its processes; each stands for that one process, whoever is given its number later."""
        found = []
        for name in os.listdir("/proc"):  # noqa: PTH208 - pathlib is more than all the rest
            if not (name.isdigit() and self._holds(int(name))):
                continue
            try:
                descriptor = os.pidfd_open(int(name))
            except OSError:
                continue
            if self._holds(int(name)) and not _ended(descriptor):
                found.append(descriptor)
            else:
                os.close(descriptor)
        return found

    def _holds(self, pid: int) -> bool:
        try:
            return os.getsid(pid) == self._leader
        except OSError:
            return False


class Input:
    """One temperature: the kernel's file, and since when it has been too high or silent."""

    def __init__(self, index: int, path: str, above_mc: int, hold_s: float) -> None:
        self.index = index
        self.reading_mc = 0
        self.hot_s = 0.0
        self.dark_s = 0.0
        self._path = path
        self._fault = path.rpartition("_")[0] + "_fault"
        self._above_mc = above_mc
        self._hold_s = hold_s

    def look(self, passed_s: float) -> None:
        """A gap neither heats nor cools."""
        reading = _whole(self._path)
        if reading is None or reading not in _CREDIBLE_MC or _whole(self._fault):
            self.dark_s += passed_s
            return
        self.dark_s = 0.0
        self.reading_mc = reading
        self.hot_s = self.hot_s + passed_s if reading > self._above_mc else 0.0

    def too_hot(self) -> bool:
        return self.hot_s > self._hold_s


class Limiter:
    """Watches until the guard is gone or the load has to be."""

    def __init__(self, lifeline: int, words: memoryview, inputs: list[Input], dark_hold_s: float) -> None:
        self._lifeline = lifeline
        self._words = words
        self._inputs = inputs
        self._dark_hold_s = dark_hold_s
        self._crew: Crew | None = None
        self._over = False
        self._beats = 0
        self._still_s = 0.0
        self._last_s = time.perf_counter()

    def watch(self) -> int:
        """Returns how many of the crew were not seen gone."""
        while not _any_ended([self._lifeline], TURN_S):
            self._words[LIMITER_BEATS] += 1
            now_s = time.perf_counter()
            passed_s = min(now_s - self._last_s, 2 * TURN_S)  # a pause of the whole machine is nobody's fault
            self._last_s = now_s
            cause, blamed = self._turn(passed_s)
            if cause:
                return self._act(cause, blamed, now_s)
        self._meet()
        return self._crew.kill() if self._crew is not None else 0

    def _turn(self, passed_s: float) -> tuple[int, Input | None]:
        """Why the load has to go now, and the input to blame; 0 while it may stay."""
        self._meet()
        if self._crew is None or self._over:
            return 0, None
        if not self._crew.led():
            self._over = self._crew.kill(0.0) == 0
            return 0, None
        for each in self._inputs:
            each.look(passed_s)
        beats = self._words[GUARD_BEATS]
        self._still_s = 0.0 if beats != self._beats else self._still_s + passed_s
        self._beats = beats
        for each in self._inputs:
            if each.too_hot():
                return TOO_HOT, each
            if each.dark_s > self._dark_hold_s:
                return DARK, each
        return (GUARD_STILL if self._still_s >= PATIENCE_S else 0), None

    def _meet(self) -> None:
        """The guard has named its crew."""
        if self._crew is None and not self._over and self._words[CREW]:
            try:
                self._crew = Crew(self._words[CREW])
            except ProcessLookupError:
                self._over = True

    def _act(self, cause: int, blamed: Input | None, since_s: float) -> int:
        """The cause is stated first, so that the guard, if it lives, knows who took its crew."""
        held_s = self._still_s
        if blamed is not None:
            held_s = blamed.hot_s if cause == TOO_HOT else blamed.dark_s
            self._words[CHANNEL] = blamed.index
            self._words[READING] = max(0, blamed.reading_mc)
        self._words[HELD_MS] = round(held_s * 1000)
        self._words[CAUSE] = cause
        survivors = self._crew.kill() if self._crew is not None else 0
        self._words[SURVIVORS] = survivors
        self._words[GONE_US] = round((time.perf_counter() - since_s) * 1e6)
        self._words[DONE] = 1
        return survivors


def tell(words: memoryview, tale: int, run: str) -> None:
    """Into a file that was opened and filled beforehand: a full drive has room for it. After the load is gone."""
    numbers = [words[each] for each in (CAUSE, CHANNEL, READING, HELD_MS, GONE_US, SURVIVORS)]
    line = " ".join([run, *map(str, numbers)]).encode()
    try:
        os.pwrite(tale, line.ljust(TALE_BYTES - 1) + b"\n", 0)
        os.fdatasync(tale)
    except OSError:
        return  # the shared memory still has it


def _whole(path: str) -> int | None:
    """A whole number in a small file, read afresh and never waited for; None when there is none."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
        try:
            return int(os.read(descriptor, 64))
        finally:
            os.close(descriptor)
    except (OSError, ValueError):
        return None


def _kill(descriptor: int) -> None:
    try:
        signal.pidfd_send_signal(descriptor, signal.SIGKILL)
    except OSError:
        return  # gone already


def _ended(descriptor: int) -> bool:
    return _any_ended([descriptor], 0.0)


def _any_ended(descriptors: list[int], wait_s: float) -> bool:
    """Whether a process has ended, or the other end of a pipe was closed, within a time."""
    poll = select.poll()
    for descriptor in descriptors:
        poll.register(descriptor, select.POLLIN)
    return bool(poll.poll(wait_s * 1000))


def _stand() -> int:
    """Before everybody else and never swapped out, where that is permitted; returns which of both it is."""
    standing = 0
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(PRIORITY))
        standing |= AS_FIFO
    except OSError:
        pass
    import ctypes  # noqa: PLC0415 - a library that cannot be loaded must not keep the limiter from its work

    if ctypes.CDLL(None).mlockall(_MCL_CURRENT) == 0:
        standing |= LOCKED
    return standing


def main(arguments: list[str]) -> int:
    lifeline, memory, tale = (int(argument) for argument in arguments[:3])
    run, dark_ms, groups = arguments[3], int(arguments[4]), arguments[5:]
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGTSTP, signal.SIGPIPE):
        signal.signal(number, signal.SIG_IGN)  # it ends with the run, and at nobody's wish
    inputs = [
        Input(int(groups[at]), groups[at + 1], int(groups[at + 2]), int(groups[at + 3]) / 1000)
        for at in range(0, len(groups), 4)
    ]
    words = memoryview(mmap.mmap(memory, WORDS_BYTES)).cast("Q")
    words[STANDING] = _stand()
    words[LIMITER_BEATS] = 1
    survivors = Limiter(lifeline, words, inputs, dark_ms / 1000).watch()
    if words[CAUSE]:
        tell(words, tale, run)
    return 1 if survivors else 0


if __name__ == "__main__":
    os._exit(main(sys.argv[1:]))
