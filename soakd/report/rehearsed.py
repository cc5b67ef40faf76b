"""A rehearsal for the terminal: where it would end, how warm each stage gets, one strip per limit, what is covered."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich import box
from rich.console import Group
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from soakd import units
from soakd.report.points import points_view
from soakd.report.points_text import PointGrid

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from rich.console import RenderableType

    from soakd.model.rehearsal import Course, Rehearsal, Strip

MODEL = "A model whose values are invented unless you set them from a real run: no evidence of anything, and not kept."
_HEIGHTS = "▁▂▃▄▅▆▇"
_BROKEN = "█"
_SILENT = "·"
_HIDDEN_K = 1.0
"""A core that is hotter than any reading by so much is told of."""


def rehearsed_text(shown: Rehearsal) -> Group:
    verdict = shown.verdict
    sheet = f"sheet “{verdict.sheet.name}”" if verdict.sheet else "no sheet"
    title = f"Rehearsal of {verdict.plan.name} · {sheet} · {shown.bench}, seed {shown.seed}"
    parts: list[RenderableType] = [Text(title, style="bold"), Text(ending(shown)), Text(MODEL, style="dim italic")]
    parts += _section("Expected in each stage: at its start, at its end, at most", [_stages(shown)])
    strips = [Text("\n".join((*strip_lines(strip, shown), ""))) for strip in shown.strips]
    parts += _section("Limits", strips or [Text("no limit watches any sensor")])
    points = points_view(verdict.evidence.points)
    if points is not None:
        parts += _section(f"Operating points: {points.counts}", [PointGrid(points)])
    besides = [*(reason.text for reason in verdict.reasons[1:]), *notes(shown)]
    if besides:
        parts += _section("Besides", [Text(f"• {line}") for line in besides])
    return Group(*parts)


def ending(shown: Rehearsal) -> str:
    """Whether it would run to its end, and what the rules would say."""
    verdict, lasted = shown.verdict, units.duration_text(shown.ended_s)
    why = f"{verdict.reasons[0].rule}: {verdict.reasons[0].text}" if verdict.reasons else ""
    if shown.down is not None:
        return f"It would end after {lasted}{_in_stage(shown, shown.ended_s)}, because {shown.down}: {verdict.outcome}"
    if shown.complete:
        return f"It would run to its end, in {lasted}: {verdict.outcome}" + (f"; {why}" if why else "")
    return f"It would be stopped after {lasted}{_in_stage(shown, shown.ended_s)}: {verdict.outcome}; {why}"


def strip_lines(strip: Strip, shown: Rehearsal) -> Iterator[str]:
    """What is left until the limit, and the way there over the whole time: the taller, the nearer."""
    bound = strip.bound
    hold = f" for {units.duration_text(bound.hold_s)}" if bound.hold_s else ""
    yield f"{bound.what}: {bound.says}{hold} ({bound.origin})"
    if strip.nearest is None or strip.farthest is None or strip.nearest_s is None:
        yield "no reading"
        return
    nearest, farthest = (units.reading_text(each, bound.watched_unit) for each in (strip.nearest, strip.farthest))
    left = bound.margin(strip.nearest)
    words = f"{units.reading_text(abs(left), bound.left_unit)} {'left at least' if left >= 0.0 else 'beyond it'}"
    yield f"{words}: {nearest} after {units.duration_text(strip.nearest_s)}"
    yield "".join(_height(value, strip) for value in strip.worst)
    yield stage_band(shown, len(strip.worst))
    scale = f"{_HEIGHTS[0]} {farthest}   {_BROKEN} beyond it"
    yield f"{scale}   {_SILENT} no reading" if None in strip.worst else scale


def stage_band(shown: Rehearsal, columns: int) -> str:
    """The number of each stage where it begins, as far as there is room."""
    band = [" "] * columns
    for stage in shown.stages:
        column, number = int(stage.begin_s / shown.ended_s * columns), str(stage.index + 1)
        around = band[max(0, column - 1) : column + len(number) + 1]
        if column + len(number) <= columns and set(around) <= {" "}:
            band[column : column + len(number)] = number
    return "".join(band).rstrip()


def _height(value: float | None, strip: Strip) -> str:
    if value is None or strip.farthest is None:
        return _SILENT
    most, left = strip.bound.margin(strip.farthest), strip.bound.margin(value)
    if left < 0.0 or most <= 0.0:
        return _BROKEN
    return _HEIGHTS[min(len(_HEIGHTS) - 1, int((1.0 - left / most) * len(_HEIGHTS)))]


def _stages(shown: Rehearsal) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("", justify="right")
    table.add_column("")
    units_of = {info.name: info.unit for info in shown.verdict.evidence.channels}
    channels = list(shown.stages[0].courses) if shown.stages else []
    for channel in channels:
        table.add_column(f"{channel.rpartition('/')[2]}, {units_of[channel]}", justify="right", no_wrap=True)
    plan = shown.verdict.plan
    for stage in shown.stages:
        lasted = units.duration_text(stage.end_s - stage.begin_s) + ("" if stage.complete else ", stopped")
        name = Text.assemble(plan.stages[stage.index].name, "\n", (lasted, "dim"))
        table.add_row(str(stage.index + 1), name, *(_course(stage.courses[channel]) for channel in channels))
    return table


def _course(course: Course) -> str:
    return " ".join("–" if value is None else f"{value:.0f}" for value in (course.begin, course.end, course.peak))


def _in_stage(shown: Rehearsal, at_s: float) -> str:
    begun = (stage for stage in reversed(shown.stages) if stage.begin_s <= at_s)
    stage = next((stage for stage in begun if at_s <= stage.end_s or not stage.complete), None)
    return "" if stage is None else f", in stage {stage.index + 1} ({shown.verdict.plan.stages[stage.index].name})"


def notes(shown: Rehearsal) -> Iterator[str]:
    """What a reader has to know besides."""
    told = [c.maximum for c in shown.verdict.evidence.channels if c.role == "cpu-temperature" and c.maximum is not None]
    if told and shown.hottest_true_c > max(told) + _HIDDEN_K:
        yield f"a core was really at {shown.hottest_true_c:.1f} °C; its sensor told {max(told):.1f} °C at most"
    for finding in shown.verdict.notes:
        if finding.rule not in {"priority", "no-sheet"}:
            yield finding.text


def _section(title: str, body: Sequence[RenderableType]) -> list[RenderableType]:
    return ["", Text(title, style="bold"), *(Padding(part, (0, 0, 0, 2)) for part in body)]


def rehearsed_json(shown: Rehearsal) -> dict[str, Any]:
    verdict = shown.verdict
    return {
        "model_only": True,
        "bench": shown.bench,
        "seed": shown.seed,
        "plan": verdict.plan.name,
        "sheet": verdict.sheet.name if verdict.sheet else None,
        "complete": shown.complete,
        "ended_s": round(shown.ended_s, 3),
        "down": shown.down,
        "outcome": verdict.outcome,
        "reasons": [reason.model_dump(mode="json", exclude_none=True) for reason in verdict.reasons],
        "hottest_core_c": round(shown.hottest_true_c, 3),
        "stages": [
            {
                "stage": stage.index + 1,
                "name": verdict.plan.stages[stage.index].name,
                "begin_s": round(stage.begin_s, 3),
                "end_s": round(stage.end_s, 3),
                "complete": stage.complete,
                "channels": {
                    name: {"start": course.begin, "end": course.end, "peak": course.peak}
                    for name, course in stage.courses.items()
                },
            }
            for stage in shown.stages
        ],
        "limits": [
            {
                **strip.bound.model_dump(mode="json"),
                "nearest": strip.nearest,
                "nearest_s": strip.nearest_s,
                "left": None if strip.nearest is None else strip.bound.margin(strip.nearest),
                "strip": list(strip.worst),
            }
            for strip in shown.strips
        ],
        "points": [point.model_dump(mode="json") for point in verdict.evidence.points],
    }
