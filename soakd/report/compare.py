"""Two verdicts side by side, for the terminal and for machines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from rich.console import Group
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from soakd import units
from soakd.report.measured import plus_minus
from soakd.rules.demonstration import CONFIDENCE
from soakd.rules.differences import differences as differences_seen
from soakd.rules.estimates import half_width
from soakd.rules.reached import covered_text
from soakd.rules.sheet_diff import differences as differences_declared

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from rich.console import RenderableType

    from soakd.model.measured import Estimate, Heat
    from soakd.model.verdict import Verdict
    from soakd.rules.compare import Comparison, StageGain

GAINS = "Gain of each stage, ± at 95 %"
NO_SETTINGS = "none that can be seen"
_PERCENT = 100.0
_MANY = 3
"""Stages from which on chance is likely enough to be spoken of."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StageView:
    """One stage that both did."""

    number: str
    name: str
    facts: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedView:
    """Everything that is shown of two verdicts side by side."""

    old: str
    new: str
    sides: tuple[tuple[str, str, str], ...]
    """What, of the old one, of the new one."""
    stages: tuple[StageView, ...]
    caution: str
    """What the stages' numbers do not hold; empty without stages."""
    refused: tuple[str, ...]
    settings: tuple[str, ...]


def compared_view(old: Verdict, new: Verdict, comparison: Comparison) -> ComparedView:
    return ComparedView(
        old=_title(old),
        new=_title(new),
        sides=tuple(_rows(old, new)),
        stages=tuple(_stage(stage) for stage in comparison.stages),
        caution=_caution(comparison.stages) if comparison.stages else "",
        refused=comparison.refused,
        settings=tuple(settings_that_differ(old, new)),
    )


def compared_text(old: Verdict, new: Verdict, comparison: Comparison) -> Group:
    """Outcomes first, then gains, then what differs."""
    shown = compared_view(old, new, comparison)
    parts: list[RenderableType] = [Text(f"{shown.old}  →  {shown.new}", style="bold"), "", _sides(shown)]
    if shown.stages:
        parts += _section(GAINS, [_gains(shown)])
        parts.append(Padding(Text(shown.caution, style="dim italic"), (0, 0, 0, 2)))
    if shown.refused:
        parts += _section("Not compared", [Text(f"• {line}") for line in shown.refused])
    lines = [f"• {line}" for line in shown.settings] or [NO_SETTINGS]
    parts += _section("Settings that differ", [Text(line) for line in lines])
    return Group(*parts)


def _caution(stages: Sequence[StageGain]) -> str:
    text = "The ± is what moved within the two runs; what differs from start to start only a third run shows."
    if len(stages) >= _MANY:
        text += f" By chance alone one in {1.0 / (1.0 - CONFIDENCE):.0f} equal stages is called significant."
    if any(stage.core_c is not None and not stage.same_room for stage in stages):
        text += (
            " Temperatures are as read, in whatever room it was: for one room, read it with a sensor of the "
            "role ambient-temperature, or declare `ambient` under [cooling] in both sheets."
        )
    return text


def compared_json(old: Verdict, new: Verdict, comparison: Comparison) -> dict[str, Any]:
    """The same for machines; shares, not percent."""
    return {
        "old": old.run_id,
        "new": new.run_id,
        "sides": {name: [before, after] for name, before, after in _rows(old, new)},
        "stages": [_stage_json(stage) for stage in comparison.stages],
        "not_compared": list(comparison.refused),
        "settings": settings_that_differ(old, new),
    }


def settings_that_differ(old: Verdict, new: Verdict) -> list[str]:
    """Declared ones, then those that the system shows."""
    if old.sheet is not None and new.sheet is not None:
        declared = [difference.line for difference in differences_declared(old.sheet, new.sheet)]
    else:
        declared = [] if old.sheet is new.sheet else ["one of the two has no sheet"]
    return [*declared, *differences_seen(old.snapshot_before, new.snapshot_before)]


def _title(verdict: Verdict) -> str:
    return f"{verdict.sheet.name if verdict.sheet else 'no sheet'} ({verdict.run_id})"


def _rows(old: Verdict, new: Verdict) -> Iterator[tuple[str, str, str]]:
    before, after = dict(_side(old)), dict(_side(new))
    yield from ((name, before[name], after[name]) for name in before)


def _side(verdict: Verdict) -> Iterator[tuple[str, str]]:
    evidence = verdict.evidence
    shown = evidence.measured.demonstration if evidence.measured else None
    heat = evidence.measured.heat if evidence.measured else None
    yield "verdict", verdict.outcome
    yield "plan", verdict.plan.name
    yield "lasted", units.duration_text(evidence.duration_s)
    yield "coverage", covered_text(evidence.points) or "no points were counted"
    yield (
        "mean time between errors",
        "nothing shown" if shown is None else f"at least {units.duration_text(shown.mean_s)}, {shown.errors} seen",
    )
    yield "room", _room(heat)


def _room(heat: Heat | None) -> str:
    if heat is None or heat.ambient_c is None:
        return "not known: no sensor reads it, and no sheet declares it"
    return f"{heat.ambient_c:.1f} °C, {'as read' if heat.ambient_from == 'sensor' else 'as the sheet declares it'}"


def _sides(shown: ComparedView) -> Table:
    table = Table.grid(padding=(0, 2))
    table.add_column(style="dim")
    for _ in range(2):
        table.add_column(overflow="fold")
    for row in shown.sides:
        table.add_row(*map(Text, row))
    return table


def _gains(shown: ComparedView) -> Table:
    table = Table.grid(padding=(0, 2))
    table.add_column(style="dim", no_wrap=True)
    table.add_column(overflow="fold")
    for stage in shown.stages:
        table.add_row(stage.number, Text.assemble((stage.name, "bold"), "\n", "; ".join(stage.facts)))
    return table


def _stage(stage: StageGain) -> StageView:
    name = f"{stage.new.workload}, {stage.new.instruction_class}, {stage.new.pattern}"
    return StageView(number=str(stage.new.index + 1), name=name, facts=tuple(gain_facts(stage)))


def gain_facts(stage: StageGain) -> Iterator[str]:
    """Speed, energy and temperature of one stage, in words."""
    yield f"{_percent(stage.rate, 'faster', 'slower')}, {_significance(stage.chance)}"
    if stage.energy is not None and stage.energy_chance is not None:
        more = _percent(stage.energy, "more", "less")
        yield f"{more} energy for each operation, {_significance(stage.energy_chance)}"
    if stage.core_c is not None:
        before, after = stage.core_c
        where = "in the same room" if stage.same_room else "as read: not both rooms are known"
        settled = "" if stage.settled else ", not settled"
        yield f"core {before:.1f} → {after:.1f} °C {where}{settled}"


def _percent(estimate: Estimate, more: str, less: str) -> str:
    size = estimate.model_copy(update={"value": abs(estimate.value)})
    return f"{plus_minus(size, _PERCENT)} % {more if estimate.value >= 0.0 else less}"


def _significance(chance: float) -> str:
    word = "significant" if chance < 1.0 - CONFIDENCE else "not significant"
    return f"{word} (chance {'below 0.001' if chance < 0.001 else f'{chance:.3f}'})"


def _stage_json(stage: StageGain) -> dict[str, Any]:
    return {
        "old_stage": stage.old.index + 1,
        "new_stage": stage.new.index + 1,
        "workload": stage.new.workload,
        "class": stage.new.instruction_class,
        "gain": stage.rate.value,
        "gain_half_width": half_width(stage.rate, CONFIDENCE),
        "chance": stage.chance,
        "significant": stage.significant,
        "energy_gain": None if stage.energy is None else stage.energy.value,
        "energy_half_width": None if stage.energy is None else half_width(stage.energy, CONFIDENCE),
        "core_c": stage.core_c,
        "same_room": stage.same_room,
        "settled": stage.settled,
    }


def _section(title: str, body: list[RenderableType]) -> list[RenderableType]:
    return ["", Text(title, style="bold"), *(Padding(part, (0, 0, 0, 2)) for part in body)]
