"""From plan and sheet to a run's record: everything is resolved and refused before anything starts."""

from __future__ import annotations

import secrets
import uuid
from typing import TYPE_CHECKING

from soakd.clock import utc_text
from soakd.config.files import refuse_misfits, refuse_sheet
from soakd.rules.assigned import strangers
from soakd.rules.bounds import resolve
from soakd.rules.last_resort import settings
from soakd.rules.plan_check import misfits
from soakd.rules.sheet_check import check
from soakd.sensors.hwmon import HwmonSource
from soakd.sensors.snapshot import take_snapshot
from soakd.service import bench, reset
from soakd.service.plugins import workloads_in
from soakd.service.resolved import recorded, seeded

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from soakd.clock import Clock
    from soakd.model.channels import Role
    from soakd.model.configuration import Plugin
    from soakd.model.plan import Plan
    from soakd.model.run import RunRecord
    from soakd.model.sheet import Sheet


def draft_run(
    plan: Plan,
    sheet: Sheet | None,
    *,
    plan_file: str,
    clock: Clock,
    drill: bool = False,
    roles: Mapping[str, Role] | None = None,
    plugins: Sequence[Plugin] = (),
    watchdog: str | None = None,
) -> RunRecord:
    """What is going to be run on this bench. Raises ConfigError or RefusedError; nothing has been started then.

    `roles`: what the tuner says of channels. `plugins`: of the configuration; they are asked and ended again.
    `watchdog`: device of the hardware watchdog to arm.
    """
    bench.require_linux()
    cores = bench.cores()
    classes = bench.classes(workloads_in(plan, plugins))
    least = 0.0 if drill else bench.least_memory_percent()
    refuse_misfits(plan_file, misfits(plan, bench_cores=cores, classes=classes, least_memory_percent=least))
    with bench.opened(clock, plugins) as sources:
        channels = bench.channels(sources, cores, roles)
        bounds, cautions = resolve(plan, channels, bench.unreadable(sources, channels))
    snapshot = take_snapshot()
    if sheet is not None:
        refuse_sheet(sheet, check(sheet, snapshot, channels={c.name for c in channels}))
    return recorded(
        seeded(plan, lambda: secrets.randbits(32)),
        sheet,
        snapshot,
        classes=classes,
        cores=cores,
        channels=channels,
        run_id=uuid.uuid4().hex[:12],
        started_utc=utc_text(clock.wall()),
        drill=drill,
        bounds=bounds,
        cautions=(*strangers(channels, roles or {}), *cautions, *(reset.cautions(watchdog) if watchdog else ())),
        last_resort=settings(bounds, channels, HwmonSource().inputs().keys()),
        watchdog=watchdog,
    )
