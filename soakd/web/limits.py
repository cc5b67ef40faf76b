"""How much one caller may ask for. Nobody can make the API hold more than these bounds allow."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from soakd.clock import Clock


@dataclass(frozen=True, slots=True, kw_only=True)
class Rate:
    """So many at once, and so many per second after that."""

    per_s: float
    burst: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Rates are per caller: a user on the Unix socket, a token on TCP."""

    reads: Rate = Rate(per_s=100.0, burst=400.0)
    writes: Rate = Rate(per_s=5.0, burst=60.0)
    strangers: Rate = Rate(per_s=5.0, burst=20.0)
    """All callers together that could not say who they are, or may not be here."""
    header_bytes: int = 16 * 1024
    header_s: float = 10.0
    """From the first byte that is awaited to the end of the headers."""
    body_bytes: int = 256 * 1024
    body_s: float = 10.0
    discard_s: float = 15.0
    """How long a body that was refused may still be on its way before the line is cut."""
    unread_s: float = 10.0
    """How long a caller may leave what it was sent unread before the line is cut."""
    unix_connections: int = 448
    tcp_connections: int = 64
    streams: int = 256
    streams_per_token: int = 16
    waiting_events: int = 256
    """Events that may wait for one reader of a stream; beyond that it is dropped."""
    kept_events: int = 1024
    """Events that a reader who comes back can still be given."""
    open_asks: int = 64
    """Questions to the daemon that may be open at once."""
    answer_s: float = 10.0
    silent_s: float = 10.0
    """The daemon speaks at least once a second; after this it is not taken to be well any more."""


class Buckets:
    """A token bucket for each caller and kind of request."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._levels: dict[tuple[str, str], tuple[float, float]] = {}
        """Caller and kind to what is left and when that was so."""

    def wait_s(self, caller: str, kind: str, rate: Rate) -> float:
        """Take one; 0 if there was one, else how long until there is."""
        now_s = self._clock.monotonic()
        left, then_s = self._levels.get((caller, kind), (rate.burst, now_s))
        left = min(rate.burst, left + (now_s - then_s) * rate.per_s)
        if left < 1.0:
            self._levels[caller, kind] = (left, now_s)
            return (1.0 - left) / rate.per_s
        self._levels[caller, kind] = (left - 1.0, now_s)
        return 0.0
