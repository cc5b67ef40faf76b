"""A run's record, once everything in it is resolved: for a real bench or a virtual one, so it touches neither."""

from __future__ import annotations

from importlib.metadata import version
from typing import TYPE_CHECKING, Any

from soakd.model.channels import role_unit
from soakd.model.run import ChannelInfo, RunRecord
from soakd.rules.fingerprint import fingerprint
from soakd.rules.gather import class_key
from soakd.rules.plan_check import class_for

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from soakd.model.channels import Channel
    from soakd.model.plan import Plan
    from soakd.model.sheet import Sheet
    from soakd.model.snapshot import Snapshot


def recorded(
    plan: Plan,
    sheet: Sheet | None,
    snapshot: Snapshot,
    *,
    classes: Mapping[str, Sequence[str]],
    cores: Sequence[int],
    channels: Sequence[Channel],
    **rest: Any,
) -> RunRecord:
    """The record of a run on this bench or on a virtual one; `rest`: fields that follow from nothing here."""
    return RunRecord(
        soakd_version=version("soakd"),
        boot_id=snapshot.boot_id,
        plan=plan,
        sheet=sheet,
        snapshot=snapshot,
        fingerprint=fingerprint(sheet, snapshot),
        classes={class_key(stage): class_for(stage, classes[stage.kernel]) for stage in plan.stages},
        cores=tuple(cores),
        channels=tuple(
            ChannelInfo(name=c.name, role=c.role.value, unit=role_unit(c.role), critical=c.critical) for c in channels
        ),
        **rest,
    )


def seeded(plan: Plan, draw: Callable[[], int]) -> Plan:
    """The plan as it will be run and recorded: random stages without a seed get one, so that they can be run again."""
    stages = tuple(
        stage.model_copy(update={"seed": draw()}) if stage.pattern == "random" and stage.seed is None else stage
        for stage in plan.stages
    )
    return plan.model_copy(update={"stages": stages})
