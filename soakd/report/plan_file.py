"""A drafted plan as a file: TOML with comments that say what each stage is for."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from soakd import units
from soakd.rules.points import POINT_KINDS

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from soakd.model.plan import Plan
    from soakd.rules.drafting import Draft
    from soakd.rules.planned import Survey


def plan_text(draft: Draft, survey: Survey) -> str:
    """The whole file; `config.files.load_plan` brings the same plan back."""
    return "\n".join((*_head(draft, survey), *_limits(draft), *_stages(draft))) + "\n"


def _head(draft: Draft, survey: Survey) -> Iterator[str]:
    points = f"{len(survey.cores)} cores × {len(survey.named)} groups of active cores × {len(survey.widths)} widths"
    least = min(load_s for load_s in survey.seconds.values() if load_s)
    yield f"# {len(survey.seconds)} operating points ({points}), visited for {units.duration_text(least)} at least."
    yield f"# Set aside before the points shared the time: {', '.join(_aside(draft.plan))}."
    yield "#"
    yield "# Cores in a stage's name are physical ones, counted from 0 as in the sheet. `cores` are logical ones, as"
    yield "# the operating system numbers them. Other kernels in the same class visit the same points: they stand in"
    yield "# `soakd workloads list`."
    yield ""
    yield "version = 1"
    yield f"name = {_written(draft.plan.name)}"
    yield ""
    yield "[guard]"
    yield "# Hours of heat are not run blind."
    yield 'temperature = "required"'


def _aside(plan: Plan) -> Iterator[str]:
    """Shares of the plan that serve no single point."""
    shares = {"transitions": 0.0, "exchange": 0.0, "memory": 0.0}
    for stage in plan.stages:
        kind = stage.kind if stage.kind not in POINT_KINDS else "transitions"
        if kind != "transitions" or stage.pattern not in {"steady", "walking"}:
            shares[kind] += stage.duration_s / plan.duration_s
    return (f"{kind} {share * 100:.0f} %" for kind, share in shares.items() if share)


def _limits(draft: Draft) -> Iterator[str]:
    yield ""
    yield f"# {draft.limit_origin[0].upper()}{draft.limit_origin[1:]}."
    for limit in draft.plan.limits:
        yield "[[limit]]"
        yield from _keys(limit.model_dump(mode="json", exclude_none=True))


def _stages(draft: Draft) -> Iterator[str]:
    before = ""
    for part, stage in zip(draft.parts, draft.plan.stages, strict=True):
        yield ""
        if part.why != before:
            yield f"# {part.why}"
            before = part.why
        yield "[[stage]]"
        yield from _keys(stage.model_dump(mode="json", exclude_none=True, exclude_defaults=True))


def _keys(table: Mapping[str, object]) -> Iterator[str]:
    return (f"{key} = {_written(value)}" for key, value in table.items())


def _written(value: object) -> str:
    """A TOML value; JSON writes text and lists in the same way, but for one character that TOML wants escaped."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
