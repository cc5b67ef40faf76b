"""Plans and sheets held against this bench, before anything runs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.config.files import refuse_sheet
from soakd.errors import RefusedError
from soakd.rules.chapters import Ground
from soakd.rules.cores import physical
from soakd.rules.drafting import drafted
from soakd.rules.gather import class_key
from soakd.rules.plan_check import class_for
from soakd.rules.planned import Survey, surveyed
from soakd.rules.sheet_check import check
from soakd.sensors.snapshot import take_snapshot
from soakd.service import bench
from soakd.service.draft import draft_run

if TYPE_CHECKING:
    from soakd.clock import Clock
    from soakd.model.channels import Channel
    from soakd.model.configuration import Configuration
    from soakd.model.plan import Plan
    from soakd.model.run import RunRecord
    from soakd.model.sheet import Sheet
    from soakd.rules.drafting import Draft


def draft_plan(sheet: Sheet, duration_s: float) -> tuple[Draft, Survey]:
    """A plan for this bench, and what it visits. Raises ConfigError for the sheet, UsageError for the time."""
    bench.require_linux()
    snapshot = take_snapshot()
    refuse_sheet(sheet, check(sheet, snapshot))
    ground = Ground(cores=bench.cores(), physical=physical(snapshot), classes=bench.classes())
    draft = drafted(sheet, ground, duration_s=duration_s)
    survey = surveyed(
        draft.plan,
        sheet.clocks,
        bench_cores=ground.cores,
        physical=ground.physical,
        class_of=lambda stage: class_for(stage, ground.classes[stage.kernel]),
    )
    return draft, survey


def channels_of(configuration: Configuration, clock: Clock) -> list[Channel]:
    """Every channel of this bench, plugins' too, with the roles that the tuner gave."""
    bench.require_linux()
    with bench.opened(clock, configuration.plugins) as sources:
        return bench.channels(sources, bench.cores(), configuration.roles)


def would_refuse(plan: Plan, sheet: Sheet, configuration: Configuration, clock: Clock) -> str | None:
    """Why this bench would not start the plan as it is now."""
    roles, plugins = configuration.roles, configuration.plugins
    try:
        draft_run(plan, sheet, plan_file="", clock=clock, roles=roles, plugins=plugins)
    except RefusedError as refused:
        return refused.message
    return None


def survey_of(record: RunRecord) -> Survey | None:
    """What the plan of a run that could start visits; None without a sheet, which alone makes points."""
    if record.sheet is None:
        return None
    return surveyed(
        record.plan,
        record.sheet.clocks,
        bench_cores=record.cores,
        physical=physical(record.snapshot),
        class_of=lambda stage: record.classes[class_key(stage)],
    )
