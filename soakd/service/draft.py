"""From plan and sheet to a run's record: everything is resolved and refused before anything starts."""

from __future__ import annotations

import secrets
import uuid
from importlib.metadata import version
from typing import TYPE_CHECKING

from soakd.clock import utc_text
from soakd.config.files import refuse_misfits
from soakd.model.channels import role_unit
from soakd.model.run import ChannelInfo, RunRecord
from soakd.rules.bounds import resolve
from soakd.rules.fingerprint import fingerprint
from soakd.rules.gather import class_key
from soakd.rules.plan_check import class_for, misfits
from soakd.sensors.snapshot import take_snapshot
from soakd.service import bench

if TYPE_CHECKING:
    from soakd.clock import Clock
    from soakd.model.plan import Plan
    from soakd.model.sheet import Sheet


def draft_run(plan: Plan, sheet: Sheet | None, *, plan_file: str, clock: Clock, drill: bool = False) -> RunRecord:
    """What is going to be run on this bench. Raises ConfigError or RefusedError; nothing has been started then."""
    bench.require_linux()
    cores = bench.cores()
    classes = bench.classes()
    refuse_misfits(plan_file, misfits(plan, bench_cores=cores, classes=classes))
    plan = _seeded(plan)
    sources = bench.sources(clock)
    channels = bench.channels(sources, cores)
    bounds, cautions = resolve(plan, channels, bench.unreadable(sources))
    snapshot = take_snapshot()
    return RunRecord(
        run_id=uuid.uuid4().hex[:12],
        soakd_version=version("soakd"),
        started_utc=utc_text(clock.wall()),
        boot_id=snapshot.boot_id,
        drill=drill,
        plan=plan,
        sheet=sheet,
        snapshot=snapshot,
        fingerprint=fingerprint(sheet, snapshot),
        classes={class_key(stage): class_for(stage, classes[stage.kernel]) for stage in plan.stages},
        cores=cores,
        channels=tuple(
            ChannelInfo(name=c.name, role=c.role.value, unit=role_unit(c.role), critical=c.critical) for c in channels
        ),
        bounds=bounds,
        cautions=cautions,
    )


def _seeded(plan: Plan) -> Plan:
    """The plan as it will be run and recorded: random stages without a seed get one, so that they can be run again."""
    stages = tuple(
        stage.model_copy(update={"seed": secrets.randbits(32)})
        if stage.pattern == "random" and stage.seed is None
        else stage
        for stage in plan.stages
    )
    return plan.model_copy(update={"stages": stages})
