"""Limits: as a plan states them, and made concrete for this bench as bounds on its channels."""

from __future__ import annotations

from typing import Annotated, Final, Literal, Self

from pydantic import Field, model_validator

from soakd import units
from soakd.model.base import Value
from soakd.model.channels import ROLE_DIMENSIONS, Role
from soakd.model.quantities import BeyondPercent, DurationS, WindowS

Consequence = Literal["stop", "fail", "note"]
"""stop: the load is taken away and the run fails. fail: the run goes on, and fails at its end. note: the verdict says
so."""
Measure = Literal["reading", "difference", "rise", "count"]
"""What is held against a bound: a channel's reading, what it is above others, how fast it rises per minute, what it
counted within the last hour."""

LONGEST_HEAT_HOLD_S = 60.0
USUAL_WINDOW_S: Final = 30.0
HOUR_S: Final = 3600.0
_FORMS: Final = ("above", "below", "outside", "rises", "per-hour")
_EDGES: Final = 2
_UNITS: Final = tuple({d.base: d for d in ROLE_DIMENSIONS.values() if d is not None}.values())
SAYS: Final = {"stop": "stops", "fail": "fails", "note": "notes"}


class Limit(Value):
    """A bound on a role or on one channel, how long it may be exceeded, and what follows then."""

    of: Annotated[str, Field(min_length=1)]
    """A role ("cpu-temperature") or the full name of one channel."""
    minus: Annotated[str, Field(min_length=1)] | None = None
    """A second role or channel: the bound holds for the difference. Of several channels, for the largest difference
    where the limit is `above`, for the least where it is `below`."""
    above: str | None = None
    """Broken by more than this; text with a unit."""
    below: str | None = None
    """Broken by less than this; text with a unit."""
    outside: tuple[str, ...] | None = None
    """Broken outside of this band, from its lower to its upper edge; two texts with a unit."""
    rises: str | None = None
    """Broken by a faster rise, such as "3 K/min", as measured over the time `over`."""
    per_hour: str | None = Field(default=None, alias="per-hour")
    """Broken by more events than these within any hour, such as "5 events"; for roles that count."""
    over_s: WindowS | None = Field(default=None, alias="over")
    """Of a rise only: the time that it is measured over; 30 s where it is not given."""
    share_percent: BeyondPercent | None = Field(default=None, alias="share")
    """With `above`, `below`, `outside`: broken when more than this share of a stage's time was spent beyond."""
    hold_s: DurationS = Field(default=0.0, alias="hold")
    """How long without a break the bound must be exceeded. With `share`: shorter times beyond do not count."""
    then: Consequence = "stop"
    """What follows when it is broken."""

    @model_validator(mode="after")
    def _parts_fit(self) -> Self:
        self._one_form()
        texts = (self.bound_text,) if self.outside is None else self.outside
        values = [self._value(text) for text in texts]
        if self.outside is not None and (len(values) != _EDGES or not values[0] < values[1]):
            raise ValueError('outside: from the lower edge to the upper one, such as ["4.9 V", "5.1 V"]')
        if self.form in {"rises", "per-hour"} and values[0] < 0.0:
            raise ValueError(f"{self.form}: must not be negative")
        if self.form == "per-hour" and not values[0].is_integer():
            raise ValueError("per-hour: events are counted whole")
        if self.of == Role.CPU_TEMPERATURE and self.waits_too_long:
            raise ValueError(
                f"hold: a processor that is too hot is not waited for longer than {LONGEST_HEAT_HOLD_S:g} s"
            )
        return self

    def _one_form(self) -> None:
        given = [form for form in _FORMS if getattr(self, form.replace("-", "_")) is not None]
        if not given:
            raise ValueError(
                'above: a limit needs `above` or `below`, such as "90 °C", or else `outside`, `rises` or `per-hour`'
            )
        if given == ["above", "below"]:
            raise ValueError(
                "above: a limit has `above` or `below`, not both; write two limits, or `outside` for a band"
            )
        if len(given) > 1:
            raise ValueError(f"{given[1]}: a limit has one of {', '.join(_FORMS)}; write two limits")
        moving = self.form in {"rises", "per-hour"}
        if moving and self.minus is not None:
            raise ValueError("minus: a difference can be `above`, `below` or `outside`; leave it out here")
        if moving and self.share_percent is not None:
            raise ValueError("share: goes with `above`, `below` or `outside`; leave it out here")
        if self.over_s is not None and self.form != "rises":
            raise ValueError("over: only a limit with `rises` has it; leave it out here")

    @property
    def form(self) -> str:
        """Which of the keys states the bound."""
        return next(form for form in _FORMS if getattr(self, form.replace("-", "_")) is not None)

    @property
    def bound_text(self) -> str:
        """The bound as it is written; of a band both edges."""
        if self.outside is not None:
            return " to ".join(self.outside)
        return self.above or self.below or self.rises or self.per_hour or ""

    @property
    def window_s(self) -> float:
        """What a rise is measured over."""
        return USUAL_WINDOW_S if self.over_s is None else self.over_s

    @property
    def waits_too_long(self) -> bool:
        """It would stop the load for heat, and much too late."""
        plain = self.form in {"above", "outside"} and self.minus is None and self.share_percent is None
        return plain and self.then == "stop" and self.hold_s > LONGEST_HEAT_HOLD_S

    def dimension_for(self, own: units.Dimension) -> units.Dimension:
        """What the bound is a quantity of, on a channel with readings of this dimension."""
        if self.per_hour is not None:
            return units.COUNT
        if self.rises is not None:
            return units.rate_of(own)
        return units.difference_of(own) if self.minus is not None else own

    def refuse_for(self, own: units.Dimension) -> None:
        """Raises ValueError where the bound means nothing for readings of this dimension."""
        if self.per_hour is not None and own is not units.COUNT:
            counting = ", ".join(role for role, dimension in ROLE_DIMENSIONS.items() if dimension is units.COUNT)
            raise ValueError(f"per-hour: a {own.name} is no count of events; roles that count are {counting}")
        if self.rises is not None and own is units.COUNT:
            raise ValueError('rises: what counts events is limited by how many in an hour: per-hour = "5 events"')

    def _value(self, text: str) -> float:
        """In the base unit; the dimension of a channel that is no role is not known yet and follows from the unit."""
        try:
            role = ROLE_DIMENSIONS[Role(self.of)]
        except ValueError:
            role = None
        if role is not None:
            self.refuse_for(role)
        known = [self.dimension_for(own) for own in (_UNITS if role is None else (role,))]
        parts = units.split(text)
        fits = [dimension for dimension in known if parts is not None and parts[1] in dimension.factors]
        if parts is None and role is None:
            raise ValueError(f'{self.form}: must be a number with its unit, such as "90 °C"')
        if role is None and not fits:
            accepted = ", ".join(unit for dimension in known for unit in dimension.factors)
            raise ValueError(f"{self.form}: a number with one of these units: {accepted}")
        try:
            return units.parse(text, (fits or known)[0])
        except ValueError as error:
            raise ValueError(f"{self.form}: {error}") from None


class Bound(Value):
    """What the guard holds a channel against."""

    channel: str
    role: Role
    side: Literal["above", "below", "outside"]
    value: float
    """In `unit`; of a band the upper edge."""
    low: float | None = None
    """Of a band the lower edge."""
    unit: str
    """Of what is measured: the role's, but K for a difference of temperatures, and per minute for a rise."""
    hold_s: float
    origin: str
    """Where the value comes from, in words for the tuner."""
    measure: Measure = "reading"
    minus: tuple[str, ...] = ()
    """Channels of which the lowest is taken away, where the side is above; the highest, where it is below."""
    minus_of: str = ""
    """What the plan calls these channels."""
    over_s: float | None = None
    """Time that a rise is measured over."""
    share_percent: float | None = None
    """Share of a stage's time that may be spent beyond; what is watched is then the share so far, in %."""
    then: Consequence = "stop"

    @property
    def what(self) -> str:
        """The channel, and what is taken away from it."""
        return f"{self.channel} minus {self.minus_of}" if self.minus else self.channel

    @property
    def channels(self) -> tuple[str, ...]:
        """All that have to be read for it."""
        return (self.channel, *self.minus)

    @property
    def required(self) -> bool:
        """A run means nothing without these readings; a limit that only notes does without."""
        return self.then != "note"

    @property
    def text(self) -> str:
        """What it is broken by, in words: above 90 °C."""
        edge = f"{self.value:g} {self.unit}".rstrip()
        if self.measure == "count":
            return f"above {edge} in an hour"
        if self.measure == "rise":
            return f"above {edge} over {units.duration_text(self.over_s or USUAL_WINDOW_S)}"
        side = f"outside {self.low:g} to {edge}" if self.low is not None else f"{self.side} {edge}"
        return side if self.share_percent is None else f"{side} for more than {self.share_percent:g} % of a stage"

    @property
    def says(self) -> str:
        """What it does and when: stops above 90 °C."""
        return f"{SAYS[self.then]} {self.text}"

    @property
    def watched_unit(self) -> str:
        """Of what is watched."""
        return self.unit if self.share_percent is None else units.SHARE.base

    @property
    def left_unit(self) -> str:
        """Of what is left until it is broken."""
        return units.left_unit(self.watched_unit)

    @property
    def is_plain(self) -> bool:
        """Its channel's reading itself is held against it."""
        return self.measure == "reading" and self.share_percent is None

    @property
    def stops_heat(self) -> bool:
        """It takes the load away when its channel reads too hot."""
        on_heat = self.role is Role.CPU_TEMPERATURE and self.is_plain and self.side != "below"
        return on_heat and self.then == "stop"

    def beyond(self, measured: float) -> bool:
        """What is measured lies on the wrong side."""
        return self.inside(measured) < 0.0

    def broken_by(self, watched: float) -> bool:
        return self.margin(watched) < 0.0

    def margin(self, watched: float) -> float:
        """What is left until the bound, in `left_unit`; negative when it is broken."""
        return self.inside(watched) if self.share_percent is None else self.share_percent - watched

    def left_share(self, watched: float) -> float:
        """What is left as a share of the bound itself, to compare bounds of different units."""
        margin, edge = self.margin(watched), abs(self.edge(watched)[1])
        if self.low is not None and self.share_percent is None:
            edge = (self.value - self.low) / 2.0
        return margin / edge if edge else (float("inf") if margin >= 0.0 else float("-inf"))

    def edge(self, watched: float) -> tuple[Literal["above", "below"], float]:
        """The nearest value that would break it, and on which side of that."""
        if self.share_percent is not None:
            return "above", self.share_percent
        if self.low is not None and watched - self.low < self.value - watched:
            return "below", self.low
        return ("below" if self.side == "below" else "above"), self.value

    def inside(self, measured: float) -> float:
        """How far what is measured lies on the right side; negative beyond the bound."""
        upper, lower = self.value - measured, measured - (self.value if self.low is None else self.low)
        return min(upper, lower) if self.side == "outside" else upper if self.side == "above" else lower
