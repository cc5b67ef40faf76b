"""What goes wrong on a virtual bench, and when."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.model.virtual import WeakCore

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from soakd.model.virtual import Fault


class MachineDown(Exception):  # noqa: N818 - what happens to a machine, not an error of ours
    """From this moment on the machine computes nothing any more."""

    def __init__(self, why: str, at_s: float) -> None:
        super().__init__(why)
        self.why = why
        self.at_s = at_s
        """From the run's start."""


class Faults:
    """The schedule; moments count from the run's start."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        self._faults = faults
        ends_s = {fault.until_s for fault in faults if fault.until_s is not None}
        self._changes_s = sorted({fault.at_s for fault in faults} | ends_s)

    def next_change_s(self, now_s: float) -> float:
        """When the next one begins or ends."""
        return next((moment_s for moment_s in self._changes_s if moment_s > now_s), float("inf"))

    def going_on(self, now_s: float, *what: str) -> Iterator[Fault]:
        for fault in self._faults:
            if fault.what in what and fault.at_s <= now_s and (fault.until_s is None or now_s < fault.until_s):
                yield fault

    def speed(self, now_s: float, what: str) -> float:
        """Share of its speed that a pump or the fans have."""
        return min((fault.left_percent / 100.0 for fault in self.going_on(now_s, what)), default=1.0)

    def weak(self, now_s: float) -> tuple[WeakCore, ...]:
        return tuple(
            WeakCore(core=fault.core or 0, more=fault.more_v or 0.0, above=fault.above_c)
            for fault in self.going_on(now_s, "core-weakens")
        )

    def of_sensor(self, now_s: float, channel: str) -> Fault | None:
        """The last one that began."""
        names = ("sensor-freezes", "sensor-lies", "sensor-vanishes", "sensor-absurd")
        found = (fault for fault in self.going_on(now_s, *names) if fault.channel == channel)
        return max(found, key=lambda fault: fault.at_s, default=None)

    def hangs_s(self, core: int) -> float:
        """When this logical core stands still for good."""
        return min((f.at_s for f in self._faults if f.what == "core-hangs" and f.core == core), default=float("inf"))

    def machine(self, now_s: float) -> None:
        """Raises MachineDown from the moment on at which the machine hangs or resets."""
        for fault in self.going_on(now_s, "machine-hangs", "machine-resets"):
            raise MachineDown("the machine hung" if fault.what == "machine-hangs" else "the machine reset", fault.at_s)
