"""The clock on the bench's wall along a time axis."""

from __future__ import annotations

from datetime import UTC, timedelta
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime, tzinfo

_MARKS: Final = 6
_LONG: Final = 4
"""At most, on a narrow screen; with seconds."""
_STEPS_S: Final = (
    5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10_800, 14_400, 21_600, 43_200, 86_400, 172_800,
)  # fmt: skip
_MINUTE_S: Final = 60


def wall_marks(begun: datetime, span_s: float, zone: tzinfo) -> Iterator[tuple[float, str]]:
    """Place in % and time of day: at whole steps of it, as it is there then. `begun`: with its zone."""
    fits = (step for step in _STEPS_S if span_s / step <= (_MARKS if step >= _MINUTE_S else _LONG))
    step_s = next(fits, _STEPS_S[-1])
    offset = begun.astimezone(zone).utcoffset() or timedelta()
    local = begun.timestamp() + offset.total_seconds()
    at_s = step_s - local % step_s
    while at_s < span_s:
        here = (begun.astimezone(UTC) + timedelta(seconds=at_s)).astimezone(zone)
        text = f"{here:%H:%M:%S}" if step_s < min(_MINUTE_S, span_s) else f"{here:%H:%M}"
        yield round(100.0 * at_s / span_s, 3), text
        at_s += step_s
