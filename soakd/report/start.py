"""The first start, step by step: what each is for, whether it is done, and what follows from leaving it out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from soakd.model.channels import Role
from soakd.report.drill import how, noticed

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

    from soakd.model.begun import StepName
    from soakd.model.drill import DrillResult
    from soakd.model.look import Look, SeenChannel

StepState = Literal["done", "skipped", "open"]
_TITLES: Final[dict[StepName, str]] = {
    "cautions": "Cautions",
    "sensors": "Sensors",
    "limits": "Limits",
    "doctor": "Ready for a night?",
    "drill": "Drill",
    "sheet": "Sheet",
    "plan": "First plan",
}
_WITHOUT: Final[dict[StepName, str]] = {
    "cautions": "",
    "sensors": "a limit may watch the wrong input, or none.",
    "limits": "you do not know what will stop the load, and what will not.",
    "doctor": "what makes a night worth less, or dangerous, may only show in the morning.",
    "drill": "nobody knows whether the alarms work on this machine.",
    "sheet": "verdicts are tied to what the system shows of this bench, and to no settings that you declare.",
    "plan": "nothing is soaked. The queue can be filled later, on its own page.",
}
_WORTH_A_LIMIT: Final = frozenset(
    {Role.COOLANT_TEMPERATURE, Role.COOLANT_FLOW, Role.PUMP, Role.MEMORY_TEMPERATURE, Role.BOARD_TEMPERATURE}
)
_WORDS: Final[dict[StepState, str]] = {"done": "done", "skipped": "skipped", "open": "to do"}
_MARKS: Final[dict[StepState, str]] = {"done": "✓", "skipped": "–", "open": "…"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One of them."""

    name: StepName
    number: int
    state: StepState

    @property
    def title(self) -> str:
        return _TITLES[self.name]

    @property
    def word(self) -> str:
        return _WORDS[self.state]

    @property
    def mark(self) -> str:
        return _MARKS[self.state]

    @property
    def without(self) -> str:
        """What follows from leaving it out; empty for what cannot be left out."""
        return _WITHOUT[self.name]


def steps(done: Collection[StepName], skipped: Collection[StepName]) -> tuple[Step, ...]:
    """All of them in order."""
    return tuple(
        Step(name=name, number=number, state="done" if name in done else "skipped" if name in skipped else "open")
        for number, name in enumerate(_TITLES, 1)
    )


def current(shown: Iterable[Step]) -> StepName:
    """Where to go on: the first that is neither done nor skipped, else the last."""
    every = tuple(shown)
    return next((step.name for step in every if step.state == "open"), every[-1].name)


def grouped(look: Look) -> tuple[tuple[SeenChannel, ...], tuple[SeenChannel, ...]]:
    """Channels of which the tuner may know better what they measure, and all others."""
    return (
        tuple(channel for channel in look.channels if channel.others),
        tuple(channel for channel in look.channels if not channel.others),
    )


def unwatched(look: Look) -> tuple[SeenChannel, ...]:
    """Channels that tell of cooling and heat, and that nothing watches where a plan has no limit on them."""
    watched = {limit.what for limit in look.limits}
    return tuple(
        channel
        for channel in look.channels
        if channel.role in _WORTH_A_LIMIT and channel.name not in watched and channel.gap is None
    )


def drill_row(result: DrillResult) -> dict[str, str]:
    """One drill, in the words that `soakd drill` has for it."""
    took, reality = how(result)
    return {
        "name": result.name,
        "state": result.state,
        "injected": result.injected,
        "noticed": noticed(result) or result.why,
        "took": took,
        "reality": reality,
    }
