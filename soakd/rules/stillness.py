"""Whether a processor's sensor still measures: one that does not follow the load from rest is frozen."""

from __future__ import annotations

from dataclasses import dataclass, field

FROZEN_AFTER_S = 30.0
"""How long after any change of load one unchanged reading is still believed."""
TREMBLING_AFTER_S = 120.0
"""The same after all cores went from rest to work, for a sensor that only goes to and fro by its own resolution."""
COARSEST_K = 1.0
"""No processor sensor resolves less (Documentation/hwmon/coretemp.rst: 1 K); a step beyond it is a movement."""
_DUST_K = 1e-6
_FROZEN = "frozen: did not move when the load changed"


@dataclass(slots=True)
class _Band:
    """Readings that have stayed together, and the first change of load since they did."""

    low: float
    high: float
    changed_s: float | None = None

    def takes(self, value: float, width: float) -> bool:
        low, high = min(self.low, value), max(self.high, value)
        if high - low > width + _DUST_K:
            return False
        self.low, self.high = low, high
        return True


@dataclass(slots=True)
class Stillness:
    """One channel's readings."""

    _exact: _Band | None = None
    _near: _Band | None = None
    _last: float | None = None
    _resolution: float = field(default=COARSEST_K)
    """The smallest step it was seen to make."""

    def load_changed(self, now_s: float, *, everywhere: bool) -> None:
        for band in (self._exact, self._near if everywhere else None):
            if band is not None and band.changed_s is None:
                band.changed_s = now_s

    def frozen(self, value: float, now_s: float) -> str | None:
        """Take the next reading; why it cannot be believed, or None."""
        if self._last is not None and value != self._last:
            self._resolution = min(self._resolution, abs(value - self._last))
        self._last = value
        self._exact = _with(self._exact, value, 0.0)
        self._near = _with(self._near, value, self._resolution)
        late = _since(self._exact, now_s) >= FROZEN_AFTER_S or _since(self._near, now_s) >= TREMBLING_AFTER_S
        return _FROZEN if late else None


def _with(band: _Band | None, value: float, width: float) -> _Band:
    return band if band is not None and band.takes(value, width) else _Band(value, value)


def _since(band: _Band, now_s: float) -> float:
    return now_s - band.changed_s if band.changed_s is not None else 0.0
