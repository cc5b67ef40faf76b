"""How often the processor held itself back while the stages ran: differences of counters that run since the boot."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.model.journal import Throttles

if TYPE_CHECKING:
    from collections.abc import Mapping


class Throttling:
    """Feed it the counters before and after each stage."""

    def __init__(self) -> None:
        self._before: Throttles | None = None
        self._sum: Throttles | None = None

    def before(self, counters: Throttles | None) -> None:
        self._before = counters

    def after(self, counters: Throttles | None) -> None:
        if counters is None or self._before is None:
            return
        was, so_far = self._before, self._sum or Throttles()
        self._sum = Throttles(
            heat=_added(so_far.heat, was.heat, counters.heat), power=_added(so_far.power, was.power, counters.power)
        )

    def counted(self) -> Throttles | None:
        """Under load, by logical core; None where nothing was counted."""
        return self._sum


def _added(so_far: Mapping[int, int], was: Mapping[int, int], now: Mapping[int, int]) -> dict[int, int]:
    return {core: so_far.get(core, 0) + max(0, count - was.get(core, count)) for core, count in now.items()}
