"""The recent past of one channel as a bounded number of means, and how steeply it rises."""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import median

FEWEST_POINTS = 6
"""That a slope is taken of; its outer thirds are two points each then."""


@dataclass(slots=True)
class Trace:
    """Means of the readings within equal spans of time; the oldest are forgotten."""

    span_s: float
    most: int
    _points: list[tuple[float, float]] = field(default_factory=list)
    _begun_s: float = 0.0
    _count: int = 0
    _time: float = 0.0
    _total: float = 0.0

    def add(self, at_s: float, value: float) -> None:
        if self._count and at_s - self._begun_s >= self.span_s:
            self._points.append(self._open())
            self._count = 0
            del self._points[: -self.most]
        if not self._count:
            self._begun_s, self._time, self._total = at_s, 0.0, 0.0
        self._count += 1
        self._time += at_s - self._begun_s
        self._total += value

    def clear(self) -> None:
        self._points.clear()
        self._count = 0

    def points(self) -> list[tuple[float, float]]:
        """Moment and mean of each span, oldest first; the last one may still be going on."""
        return [*self._points, self._open()] if self._count else list(self._points)

    def last(self, count: int) -> list[tuple[float, float]]:
        """The newest of them, as many as there are up to so many."""
        going_on = [self._open()] if self._count else []
        return [*self._points[max(0, len(self._points) + len(going_on) - count) :], *going_on]

    def _open(self) -> tuple[float, float]:
        return self._begun_s + self._time / self._count, self._total / self._count


def slope(points: list[tuple[float, float]]) -> float:
    """Units per second of a resistant line: from the median of the first third to that of the last (J. W. Tukey,
    "Exploratory Data Analysis", 1977; from memory). One wild reading in a third of three or more changes nothing.
    """
    third = len(points) // 3
    (begin_s, begin), (end_s, end) = (
        (median(at_s for at_s, _ in part), median(value for _, value in part))
        for part in (points[:third], points[-third:])
    )
    return (end - begin) / (end_s - begin_s)
