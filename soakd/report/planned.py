"""What a plan visits, and what that demonstrates: tables and lines for the terminal, and the same for machines."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich import box
from rich.console import Group
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from soakd import units
from soakd.rules.demonstration import chance_to_see, needed_s, shown_mean_s
from soakd.rules.point_words import core_text, folded, group_text, said, spans, width_text
from soakd.rules.points import Point, steps

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from rich.console import RenderableType

    from soakd.model.plan import Plan
    from soakd.model.sheet import Clocks
    from soakd.rules.planned import Survey

_LEFT_OUT = "–"
_HOUR_S = 3600.0


def planned_text(survey: Survey, confidence: float, plan: Plan, clocks: Clocks) -> Group:
    """The whole answer: planned times, what is left out, what a clean run would show and what not."""
    stages = f"{len(plan.stages)} stage{'s' if len(plan.stages) > 1 else ''}"
    title = f"{plan.name}: {stages}, {units.duration_text(plan.duration_s)}"
    sections: dict[str, Sequence[Table | str]] = {
        "Planned at each operating point": [visits_table(survey)],
        "Left out": said(survey.left_out, named=survey.named, cores=survey.cores),
        f"Shown by a run without one error, at {confidence * 100:.10g} % confidence": list(
            can_lines(survey, confidence)
        ),
        "Not shown by it": list(cannot_lines(survey, confidence, plan, clocks)),
    }
    parts: list[RenderableType] = [Text(title, style="bold")]
    for heading, body in sections.items():
        if body:
            lines = (each if isinstance(each, Table) else _bullet(each) for each in body)
            parts += ["", Text(heading, style="bold"), *(Padding(each, (0, 0, 0, 2)) for each in lines)]
    return Group(*parts)


def _bullet(line: str) -> Table:
    table = Table.grid(padding=(0, 1))
    table.add_row("•", Text(line))
    return table


def visits_table(survey: Survey) -> Table:
    """Planned time at each point; cores that are alike share a row."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("")
    table.add_column("")
    for width in survey.widths:
        table.add_column(width_text(width), justify="right")
    for span in spans(survey.named):
        times = {core: _times(survey, core, span[1]) for core in survey.cores}
        for number, (cores, row) in enumerate(folded(survey.cores, times.__getitem__)):
            about = "" if number else group_text(span)
            table.add_row(about, core_text(cores, survey.cores), *(Text(text) for text in row))
    return table


def _times(survey: Survey, core: int, most: int) -> tuple[str, ...]:
    planned = (survey.seconds[Point(core, most, width, 0)] for width in survey.widths)
    return tuple(units.duration_text(load_s) if load_s else _LEFT_OUT for load_s in planned)


def weakest_text(survey: Survey, point: Point) -> str:
    """Where, and for how long."""
    (where,) = said([point], named=survey.named, cores=survey.cores)
    return f"{where}, {units.duration_text(survey.seconds[point])}"


def can_lines(survey: Survey, confidence: float) -> Iterator[str]:
    """What the plan demonstrates when not one error is seen."""
    load = f"the bench as a whole, {units.duration_text(survey.load_s)} under this mix of load"
    yield f"{load}: at least {_mean(survey.load_s, confidence)} between errors"
    weakest = survey.weakest
    if weakest is not None:
        where = weakest_text(survey, weakest)
        yield f"the weakest point, {where}: at least {_mean(survey.seconds[weakest], confidence)} between errors"


def cannot_lines(survey: Survey, confidence: float, plan: Plan, clocks: Clocks) -> Iterator[str]:
    """What stays open even then."""
    weakest = survey.weakest
    if weakest is not None:
        clean_s = survey.seconds[weakest]
        chance = f"{chance_to_see(_HOUR_S, clean_s) * 100:.2g} %"
        needed = units.duration_text(plan.duration_s * needed_s(_HOUR_S, confidence) / clean_s)
        yield f"an error that comes once an hour, and at the weakest point alone, shows with a chance of {chance}"
        every = "every point that it visits" if survey.left_out else "every point"
        yield f"an hour between errors at {every} takes {needed}, shared out like this"
    heats = [units.show(at_c, units.TEMPERATURE) for at_c in sorted({step.at_c for step in steps(clocks)})]
    if heats:
        yield f"what holds from {', '.join(heats)} on is visited only if the bench gets so warm: no plan commands that"
    yield "errors whose rate is not constant (ageing, a hotter day) are another question"


def _mean(clean_s: float, confidence: float) -> str:
    return units.duration_text(shown_mean_s(clean_s, confidence))


def planned_json(survey: Survey, confidence: float) -> dict[str, Any]:
    weakest = survey.weakest
    clean_s = 0.0 if weakest is None else survey.seconds[weakest]
    return {
        "complete": not survey.left_out,
        "load_s": survey.load_s,
        "confidence_percent": round(confidence * 100.0, 10),
        "shown_mean_s": {
            "whole": shown_mean_s(survey.load_s, confidence),
            "weakest": shown_mean_s(clean_s, confidence),
        },
        "weakest": None if weakest is None else _point_json(weakest, clean_s),
        "points": [_point_json(point, load_s) for point, load_s in survey.seconds.items()],
    }


def _point_json(point: Point, load_s: float) -> dict[str, float]:
    return {"core": point.core, "active": point.active, "width": point.width, "planned_s": load_s}
