"""What a sheet makes of one moment on one bench: the operating point, and the clock that is allowed there.

Both depend on a temperature only by how many of the declared ones it reaches, its level; so each is worked out once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.model.sheet import Clocks
from soakd.rules.allowed import allowed
from soakd.rules.cores import physical
from soakd.rules.points import Point, point_of, points, steps

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.model.run import RunRecord


class Chart:
    """The same for a whole run."""

    def __init__(self, record: RunRecord) -> None:
        self.clocks = record.sheet.clocks if record.sheet else Clocks()
        self.physical = {core: core for core in record.cores} | physical(record.snapshot)
        """Logical core to physical core."""
        self.cores = tuple(sorted(set(self.physical.values())))
        self._moments_c = sorted({step.at_c for step in self.clocks.steps_down})
        self._points: dict[tuple[int, int, int, int], Point] = {}
        self._clocks_mhz: dict[tuple[int, int, int, int], float | None] = {}

    def level(self, temperature_c: float) -> int:
        return sum(temperature_c >= moment_c for moment_c in self._moments_c)

    def point(self, core: int, active: int, width: int, level: int) -> Point:
        key = (core, active, width, level)
        if key not in self._points:
            moment_c = self._moment_c(level)
            self._points[key] = point_of(
                self.clocks, core=core, active=active, width=width, temperature_c=moment_c, cores=self.cores
            )
        return self._points[key]

    def allowed_mhz(self, core: int, active: int, width: int, level: int) -> float | None:
        """None where the sheet declares no clock."""
        key = (core, active, width, level)
        if key not in self._clocks_mhz:
            found = allowed(self.clocks, core=core, active=active, width=width, temperature_c=self._moment_c(level))
            self._clocks_mhz[key] = found.clock_mhz if found else None
        return self._clocks_mhz[key]

    def all_points(self, widths: Sequence[int]) -> tuple[Point, ...]:
        """All that the sheet allows here in these widths."""
        return points(self.clocks, cores=self.cores, widths=widths)

    def step_c(self, point: Point) -> float | None:
        """The temperature from which the point's step holds."""
        return steps(self.clocks)[point.step - 1].at_c if point.step else None

    def _moment_c(self, level: int) -> float | None:
        """A temperature that reaches so many of the declared ones."""
        return self._moments_c[level - 1] if level else None
