"""A plan: limits and an ordered list of stages."""

from __future__ import annotations

from types import MappingProxyType
from typing import Annotated, Final, Literal, Self

from pydantic import Field, model_validator

from soakd.model.base import Value
from soakd.model.limits import Limit
from soakd.model.pace import ROUND_S
from soakd.model.quantities import (
    DurationS,
    FloorPercent,
    HoldS,
    IntervalS,
    MarginK,
    MemorySharePercent,
    OnPercent,
    SizeMib,
    TemperatureC,
    TickS,
    TolerancePercent,
    WatchS,
)

Core = Annotated[int, Field(ge=0, lt=4096)]
WorkloadName = Literal[
    "integer",
    "integer/streams",
    "integer/wide",
    "integer/products",
    "integer/division",
    "integer/lanes",
    "integer/branches",
    "vector",
    "vector/lanes",
    "vector/single",
    "vector/pipes",
    "vector/roots",
    "vector/matrix",
    "vector/large",
    "memory",
    "memory/march",
    "memory/reread",
    "memory/ss",
    "memory/permuted",
    "memory/chase",
    "memory/latency",
    "memory/moves",
    "exchange",
    "exchange/counters",
    "exchange/swap",
    "exchange/ring",
    "exchange/sharing",
    "mixed",
    "mixed/together",
    "mixed/apart",
]
"""A kind, or one kernel of it; the catalogue in soakd.workloads has the same names."""
PluginWorkload = Annotated[str, Field(pattern=r"^plugin/[a-z][a-z0-9-]{0,39}$")]
"""The workload of a plugin of that name; whether there is one is asked when the plan is held against a bench."""
FIRST_KERNELS: Final = MappingProxyType(
    {"integer": "streams", "vector": "lanes", "memory": "march", "exchange": "counters", "mixed": "together"}
)
"""What a kind's name alone stands for."""
MEMORY_KINDS: Final = frozenset({"memory", "mixed"})
"""Kinds that take a share of memory and sweep over it."""
ClassName = Literal[
    "widest", "scalar", "vector-128", "vector-128-fma", "vector-256", "vector-256-fma", "vector-512"
]  # fmt: skip
PatternName = Literal["steady", "walking", "stepped", "pulsed", "random"]
_PATTERN_KEYS: Final = MappingProxyType(
    {
        "dwell_s": ("dwell", ("walking", "stepped"), 'a time on each core, such as "10 s"'),
        "period_s": ("period", ("pulsed",), 'the time from rise to rise, such as "20 ms"'),
        "on_percent": ("on", ("pulsed",), 'a share of the period under load, such as "50 %"'),
        "shortest_s": ("shortest", ("random",), 'a bound for its intervals, such as "1 ms"'),
        "longest_s": ("longest", ("random",), 'a bound for its intervals, such as "1 s"'),
        "seed": ("seed", ("random",), ""),
    }
)
"""Field to its key, the patterns that have it, and what is missing where one of them must have it."""


class GuardRules(Value):
    """When the guard stops the load, besides the limits."""

    temperature: Literal["required", "if-available"] = "required"
    """`required`: without a cpu-temperature reading nothing starts, and losing it stops the run."""
    temperature_margin_k: MarginK = Field(default=5.0, alias="temperature-margin")
    """Kept below the sensor's own critical value when the plan states no temperature limit."""
    gap_hold_s: HoldS = Field(default=5.0, alias="gap-hold")
    """How long a required role may stay without a reading."""
    mismatches: Annotated[int, Field(ge=1, le=1000)] = 1
    """Wrong results at which the load stops; any wrong result fails the run."""
    swap_mib: SizeMib = Field(default=16.0, alias="swap")
    """Swap traffic during one memory stage beyond which its result means nothing."""
    lost_tick_hold_s: HoldS = Field(default=5.0, alias="lost-ticks")
    """How long the guard itself may have been blind."""
    tick_s: TickS = Field(default=1.0, alias="tick")
    """How often sensors are read."""
    foresight: Literal["note", "stop"] = "note"
    """What follows when a temperature is going to break a limit within a minute."""
    cooling_watch_s: WatchS = Field(default=120.0, alias="cooling-watch")
    """After a stop: how long the guard watches at most while the bench cools; for as long as it takes where something
    still heats it. 0 s: not at all."""
    cooled_by_k: MarginK = Field(default=10.0, alias="cooled-by")
    """A temperature that has fallen by so much since the load went has cooled."""
    cooled_to_c: TemperatureC = Field(default=50.0, alias="cooled-to")
    """One that is no higher than this has cooled too."""


class Stage(Value):
    """A workload on chosen cores, in a load pattern, for a time."""

    name: Annotated[str, Field(min_length=1, max_length=120)]
    workload: WorkloadName | PluginWorkload
    instruction_class: ClassName = Field(default="widest", alias="class")
    """Instruction class; `widest` takes the widest one that this core has for the workload."""
    cores: Literal["all"] | tuple[Core, ...] = "all"
    """Logical cores as the operating system numbers them."""
    pattern: PatternName = "steady"
    """`steady`: all cores at once. `walking`: one core after another, the others at rest. `stepped`: one core, two,
    and so on up to all, then over again. `pulsed`: all at once, on and off on one clock. `random`: all at once, on and
    off for random times."""
    dwell_s: DurationS | None = Field(default=None, alias="dwell")
    """Walking: how long the load stays on each core. Stepped: how long before the next core joins."""
    period_s: IntervalS | None = Field(default=None, alias="period")
    """Pulsed only: from one rise of the load to the next."""
    on_percent: OnPercent | None = Field(default=None, alias="on")
    """Pulsed only: share of each period under load."""
    shortest_s: IntervalS | None = Field(default=None, alias="shortest")
    """Random only: no load and no rest is shorter."""
    longest_s: IntervalS | None = Field(default=None, alias="longest")
    """Random only: no load and no rest is longer."""
    seed: Annotated[int, Field(ge=0, lt=2**32)] | None = None
    """Random only: the same seed gives the same schedule; drawn for the run and recorded where none is given."""
    duration_s: DurationS = Field(alias="duration")
    memory_percent: MemorySharePercent | None = Field(default=None, alias="memory")
    """Memory and mixed workloads only: share of the memory available at the stage's start."""

    @property
    def kind(self) -> str:
        """What part of the machine it loads: "vector" of "vector/lanes"."""
        return self.workload.partition("/")[0]

    @property
    def kernel(self) -> str:
        """In full: "vector/lanes" also where only "vector" is written."""
        return self.workload if "/" in self.workload else f"{self.workload}/{FIRST_KERNELS[self.workload]}"

    @model_validator(mode="after")
    def _parts_fit(self) -> Self:
        if self.duration_s < 2 * ROUND_S:
            raise ValueError(f"duration: a stage lasts at least {2 * ROUND_S:g} s, two rounds")
        if self.cores != "all" and (not self.cores or len(set(self.cores)) != len(self.cores)):
            raise ValueError("cores: name at least one core and each only once")
        if self.kind in MEMORY_KINDS and self.memory_percent is None:
            raise ValueError(f'memory: a {self.kind} stage needs a share such as "60 %"')
        if self.kind not in MEMORY_KINDS and self.memory_percent is not None:
            raise ValueError("memory: only memory and mixed stages have it; leave it out here")
        if self.kind == "exchange" and self.pattern in {"walking", "stepped"}:
            raise ValueError("pattern: cores that exchange have to be loaded together: steady, pulsed or random")
        self._pattern_fits()
        return self

    def _pattern_fits(self) -> None:
        for field, (key, patterns, needed) in _PATTERN_KEYS.items():
            given = getattr(self, field) is not None
            if given and self.pattern not in patterns:
                owners = " or ".join(f'"{name}"' for name in patterns)
                raise ValueError(f"{key}: only stages with pattern = {owners} have it; leave it out here")
            if needed and not given and self.pattern in patterns:
                raise ValueError(f"{key}: a {self.pattern} stage needs {needed}")
        if self.dwell_s is not None and self.dwell_s < ROUND_S:
            raise ValueError(f"dwell: at least one round, {ROUND_S:g} s")
        if self.period_s is not None and self.period_s > self.duration_s:
            raise ValueError("period: longer than the stage, which would hold no whole pulse")
        if self.shortest_s is not None and self.longest_s is not None and self.shortest_s > self.longest_s:
            raise ValueError("shortest: must not be longer than `longest`")
        if self.longest_s is not None and self.longest_s > self.duration_s / 2:
            raise ValueError("longest: more than half of the stage, which might hold one load and nothing else")


class Plan(Value):
    """Limits, guard rules and stages; what the tuner asks the bench to prove."""

    version: Annotated[int, Field(ge=1, le=1)]
    """Version of this file format."""
    name: Annotated[str, Field(min_length=1, max_length=120)]
    note: str = ""
    coverage_floor_percent: FloorPercent = Field(default=95.0, alias="coverage-floor")
    """Least share of the planned load time that must have been checked, and of the watched readings that must exist."""
    clock_tolerance_percent: TolerancePercent = Field(default=1.0, alias="clock-tolerance")
    """How far a measured clock may be from the one that the sheet allows. On a quiet core the probe is good to 0.1 %, a
    spread reference clock lowers it by up to 0.5 %, and one step less of a ratio below 100 is more than 1 %."""
    clock_hold_s: DurationS = Field(default=10.0, alias="clock-hold")
    """How long in all the clock of an operating point may be further off."""
    guard: GuardRules = GuardRules()
    limits: tuple[Limit, ...] = Field(default=(), alias="limit")
    stages: Annotated[tuple[Stage, ...], Field(min_length=1, max_length=1000, alias="stage")]

    @property
    def duration_s(self) -> float:
        return sum(stage.duration_s for stage in self.stages)
