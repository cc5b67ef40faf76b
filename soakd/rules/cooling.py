"""The bench after a stop: whether it cools, now that nothing of ours heats it."""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import median
from typing import TYPE_CHECKING, Final

from soakd import units
from soakd.model.channels import ROLE_DIMENSIONS, Role
from soakd.model.finding import Finding
from soakd.rules.trace import Trace

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from soakd.model.channels import Channel
    from soakd.model.limits import Bound
    from soakd.model.plan import GuardRules

STILL_HEATING: Final = "still-heating"
ROSE_K: Final = 5.0
"""Rise since the run began from which a temperature has to cool at all; common practice, no source, as is all below."""
SOAK_S: Final = 3.0
"""Time for which heat that is on its way may still arrive."""
READINGS: Final = 15
"""One a second at most, of which a rise is taken: that of the last third over the first, each third above the last."""
RISE_K: Final = 3.0
STEP_K: Final = 0.5
ABOVE_K: Final = 5.0
"""However slow the rise was, so far above where it stood when the load went is too much."""
COOL_READINGS: Final = 3
"""That have to agree."""
_RECENT: Final = 5


@dataclass(slots=True)
class _Warmth:
    """One temperature since the load went."""

    gone_c: float
    """When the load went."""
    must_cool: bool
    trace: Trace = field(default_factory=lambda: Trace(span_s=1.0, most=READINGS))
    last_c: float = 0.0
    cool: int = 0
    """Readings in a row that were cool enough."""
    heats: bool = False


class CoolDown:
    """Every temperature of processor and coolant, and all others that a limit watches.

    Feed it readings: before the stop, to know where they came from; after it, to hear what is found.
    """

    def __init__(self, channels: Sequence[Channel], bounds: Sequence[Bound], rules: GuardRules) -> None:
        limited = {bound.channel for bound in bounds if bound.measure == "reading"}
        self.names = frozenset(
            channel.name
            for channel in channels
            if ROLE_DIMENSIONS[channel.role] is units.TEMPERATURE
            and (channel.role in {Role.CPU_TEMPERATURE, Role.COOLANT_TEMPERATURE} or channel.name in limited)
        )
        """Channels that are watched."""
        self._rules = rules
        self._first: dict[str, float] = {}
        self._warm: dict[str, _Warmth] = {}
        self._gone_s = 0.0
        self._surely_gone = True

    def before(self, values: Mapping[str, float]) -> None:
        for name in (self.names - self._first.keys()) & values.keys():
            self._first[name] = values[name]

    def load_gone(self, now_s: float, values: Mapping[str, float], *, survivors: int) -> None:
        """From now on nothing of ours should heat the bench."""
        self._gone_s = now_s
        self._surely_gone = survivors == 0
        for name in self.names & values.keys():
            gone_c = values[name]
            rose = gone_c >= self._first.get(name, gone_c) + ROSE_K
            cool = gone_c <= self._rules.cooled_to_c
            self._warm[name] = _Warmth(gone_c=gone_c, must_cool=rose and not cool, last_c=gone_c)

    def take(self, at_s: float, values: Mapping[str, float]) -> Iterator[Finding]:
        """What heats although the load is gone; of each channel once."""
        for name in self._warm.keys() & values.keys():
            warm = self._warm[name]
            warm.last_c = values[name]
            warm.cool = warm.cool + 1 if self._is_cool(warm) else 0
            if at_s - self._gone_s < SOAK_S:
                continue
            warm.trace.add(at_s, warm.last_c)
            if not warm.heats and not warm.cool and _rises(warm):
                warm.heats = True
                yield self._heats(name, warm, at_s)

    def over(self, now_s: float) -> bool:
        """Everything has cooled; or the time is over and nothing was seen to heat."""
        if not self._rules.cooling_watch_s:
            return True
        hot = self._hot()
        if any(warm.heats for warm in hot.values()):
            return False
        return (not hot and self._surely_gone) or now_s - self._gone_s >= self._rules.cooling_watch_s

    def last_word(self, now_s: float) -> Finding | None:
        """What had not cooled in its time."""
        hot = self._hot()
        if not hot or not self._rules.cooling_watch_s:
            return None
        name, warm = max(hot.items(), key=lambda each: each[1].last_c)
        text = (
            f"{units.duration_text(now_s - self._gone_s)} after the load was gone {name} was still at "
            f"{warm.last_c:.1f} °C; it had been at {warm.gone_c:.1f} °C"
        )
        return Finding(rule="not-cooled", weight="note", text=text, channel=name, sample=warm.last_c, unit="°C")

    def _hot(self) -> dict[str, _Warmth]:
        return {
            name: warm
            for name, warm in self._warm.items()
            if (warm.must_cool or warm.heats) and warm.cool < COOL_READINGS
        }

    def _is_cool(self, warm: _Warmth) -> bool:
        return warm.last_c <= max(self._rules.cooled_to_c, warm.gone_c - self._rules.cooled_by_k)

    def _heats(self, name: str, warm: _Warmth, at_s: float) -> Finding:
        gone = units.duration_text(round(at_s - self._gone_s))
        than = warm.last_c - warm.gone_c
        text = (
            f"{name} goes on rising although the load has been gone for {gone}: {warm.last_c:.1f} °C now, "
            f"{warm.gone_c:.1f} °C when it went ({than:+.1f} K). A pump or a fan may have failed, or something else "
            "loads the bench"
        )
        return Finding(
            rule=STILL_HEATING, weight="inconclusive", text=text, channel=name, sample=warm.last_c, unit="°C"
        )


def _rises(warm: _Warmth) -> bool:
    """Steadily over all readings that are kept, or far above where it stood."""
    values = [value for _, value in warm.trace.points()]
    if len(values) >= _RECENT and median(values[-_RECENT:]) >= warm.gone_c + ABOVE_K:
        return True
    if len(values) < READINGS:
        return False
    third = READINGS // 3
    first, second, last = (median(values[-READINGS:][begin : begin + third]) for begin in range(0, READINGS, third))
    return last - first >= RISE_K and min(second - first, last - second) >= STEP_K
