"""The last hour of every channel, minute by minute: lowest, mean and highest, so that no peak is lost. Bounded."""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from soakd.rules.thinning import Thinned

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

MINUTES: Final = 60
_MINUTE_S: Final = 60.0
_MOST_CHANNELS: Final = 4096


@dataclass(slots=True)
class _Minute:
    number: int
    low: float
    high: float
    total: float
    count: int


class Hour:
    """Moments are seconds of the wall clock. Used by several threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._minutes: dict[str, deque[_Minute]] = {}

    def take(self, at_s: float, values: Mapping[str, float]) -> None:
        """Readings of one moment."""
        number = int(at_s // _MINUTE_S)
        with self._lock:
            for name, value in values.items():
                self._add(name, _Minute(number, value, value, value, 1))

    def take_rows(self, at_s: Sequence[float], names: Sequence[str], rows: NDArray[np.float32]) -> None:
        """Readings of rising moments, one row for each, one column for each name; NaN is no reading."""
        if not len(at_s) or not names:
            return
        numbers = np.floor_divide(np.asarray(at_s), _MINUTE_S).astype(int)
        begins = np.flatnonzero(np.diff(numbers, prepend=numbers[0] - 1))
        lows, highs = np.fmin.reduceat(rows, begins), np.fmax.reduceat(rows, begins)
        totals = np.add.reduceat(np.nan_to_num(rows).astype(float), begins)
        counts = np.add.reduceat((~np.isnan(rows)).astype(int), begins)
        with self._lock:
            for part, begin in enumerate(begins):
                for column, name in enumerate(names):
                    count = int(counts[part, column])
                    if count:
                        low, high, total = (float(each[part, column]) for each in (lows, highs, totals))
                        self._add(name, _Minute(int(numbers[begin]), low, high, total, count))

    def of(self, name: str, now_s: float) -> Thinned:
        """The hour up to a moment; None for minutes in which nothing was read."""
        first = int(now_s // _MINUTE_S) - MINUTES + 1
        low: list[float | None] = [None] * MINUTES
        mean, high = low.copy(), low.copy()
        with self._lock:
            for each in self._minutes.get(name, ()):
                if 0 <= each.number - first < MINUTES:
                    place = each.number - first
                    low[place], mean[place], high[place] = each.low, each.total / each.count, each.high
        return Thinned(low=low, mean=mean, high=high)

    def forget(self, now_s: float) -> None:
        """Channels of which nothing was read within the hour."""
        first = int(now_s // _MINUTE_S) - MINUTES + 1
        with self._lock:
            self._minutes = {name: kept for name, kept in self._minutes.items() if kept[-1].number >= first}

    def _add(self, name: str, new: _Minute) -> None:
        kept = self._minutes.get(name)
        if kept is None:
            if len(self._minutes) >= _MOST_CHANNELS:
                return
            kept = self._minutes[name] = deque(maxlen=MINUTES)
        if not kept or kept[-1].number < new.number:
            kept.append(new)
            return
        last = kept[-1]  # also where the wall clock was set back
        last.low, last.high = min(last.low, new.low), max(last.high, new.high)
        last.total, last.count = last.total + new.total, last.count + new.count
