"""A counter of the kernel's, from the moment we first saw it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.sensors.inputs import Gap, count

if TYPE_CHECKING:
    from pathlib import Path


class Counted:
    """What was counted since the first reading; never falls, whatever becomes of the counter behind it."""

    def __init__(self, path: Path) -> None:
        """The first reading is now, or the first that succeeds."""
        self._path = str(path)
        self._last: int | None = None
        self._total = 0
        try:
            self._last = count(self._path)
        except Gap:
            return

    def read(self, *, begun_anew: bool = False) -> int:
        """The number so far. A counter that is less than before, or is known to have `begun_anew`, was set back to
        nought: what it shows now came since. Raises Gap.
        """
        now = count(self._path)
        if self._last is not None:
            self._total += now if begun_anew or now < self._last else now - self._last
        self._last = now
        return self._total
