"""What a whole run tells of the heat: the way from coolant to room, what a hotter room adds, and how far it may go."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

from soakd.model.channels import Role
from soakd.rules.estimates import added
from soakd.rules.heat_path import fit, points
from soakd.rules.lines import line

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.model.limits import Bound
    from soakd.model.measured import Heat, HeatPath, StageHeat, StageMeasured
    from soakd.model.verdict import Evidence

_SURE: Final = 0.25
"""Standard error over value from which on a fitted resistance or time constant says nothing."""
_LEAST_SPAN_K: Final = 5.0
"""A rise from which on the growth of the power with it is looked for."""
_LARGEST_GAIN: Final = 1.5


def room_path(
    moments_s: Sequence[float],
    power_w: Sequence[float],
    coolant_c: Sequence[float],
    ambient_c: Sequence[float],
    step_k: float,
) -> HeatPath | None:
    """From the coolant to the room; `ambient_c` is empty where nobody says it. None where the readings do not tell.

    `step_k`: the finest step of the coolant's readings.
    """
    if not power_w or not coolant_c:
        return None
    above_k = [c - a for c, a in zip(coolant_c, ambient_c, strict=True)] if ambient_c else coolant_c
    path = fit(points(moments_s, power_w, above_k), known_ambient=bool(ambient_c), step_k=step_k)
    if path is None or any(e.sd > _SURE * e.value for e in (path.resistance_kw, path.constant_s)):
        return None
    return path


def over_room(stage: StageHeat, path: HeatPath | None) -> StageHeat:
    """With the resistance to the room by way of the coolant, where both parts are known."""
    if path is None or stage.to_coolant_kw is None:
        return stage
    return stage.model_copy(update={"to_ambient_kw": added(stage.to_coolant_kw, path.resistance_kw)})


def core_gain(core_c: Sequence[float], power_w: Sequence[float], to_ambient_kw: float) -> float:
    """Kelvin of the hottest core for each of the room: 1 / (1 - R dP/dT), the power's growth taken from one stage of
    steady load at one clock. 1 where it cannot be told.
    """
    if not power_w or not core_c or max(core_c) - min(core_c) < _LEAST_SPAN_K:
        return 1.0
    growth = line(core_c, power_w)
    if growth.slope < 2.0 * growth.slope_sd:
        return 1.0
    fed_back = to_ambient_kw * growth.slope
    return 1.0 / (1.0 - fed_back) if fed_back < 1.0 - 1.0 / _LARGEST_GAIN else _LARGEST_GAIN


class Headroom(NamedTuple):
    """How warm the room may be before one limit is broken."""

    bound: Bound
    left_k: float
    """At the worst moment, in the room as it was."""
    to_come_k: float
    """By how much a temperature that had not settled was still to rise."""
    room_c: float
    """The room that it holds up to."""

    def left_in(self, room_c: float, gain: float, ambient_c: float) -> float:
        """What would be left in another room."""
        return self.left_k - self.to_come_k - gain * (room_c - ambient_c)


_IN_THE_ROOM: Final = frozenset({Role.CPU_TEMPERATURE, Role.COOLANT_TEMPERATURE})


def headroom(bounds: Sequence[Bound], evidence: Evidence) -> tuple[Headroom, ...]:
    """Of each upper limit on a temperature of processor or coolant, tightest first; empty where no room is known."""
    measured = evidence.measured
    heat = measured.heat if measured else None
    if measured is None or heat is None or heat.ambient_c is None:
        return ()
    to_come_k = _to_come_k(measured.stages)
    found = [
        _headroom(bound, margin.left, to_come_k if bound.role is Role.CPU_TEMPERATURE else 0.0, heat)
        for bound, margin in zip(bounds, evidence.limits, strict=False)
        if bound.role in _IN_THE_ROOM and bound.is_plain and bound.side == "above" and margin.left is not None
    ]
    return tuple(sorted((each for each in found if each is not None), key=lambda each: each.room_c))


def _headroom(bound: Bound, left_k: float, to_come_k: float, heat: Heat) -> Headroom | None:
    if heat.ambient_c is None:
        return None
    gain = heat.core_gain
    return Headroom(bound, left_k, to_come_k, heat.ambient_c + (left_k - to_come_k) / gain)


def _to_come_k(stages: Sequence[StageMeasured]) -> float:
    """Of the stages that had not settled, the one that was to end highest over the hottest."""
    heats = [stage.heat for stage in stages if stage.heat is not None]
    hottest_c = max((heat.core_c for heat in heats), default=0.0)
    ends_c = [heat.ends_c.value for heat in heats if heat.ends_c is not None and heat.settled is not True]
    return max(0.0, max(ends_c, default=hottest_c) - hottest_c)
