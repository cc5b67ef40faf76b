"""How a bench is begun with: what it shows, and the files that it starts from."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING

from soakd.clock import utc_text
from soakd.config.files import load_plan
from soakd.config.sheet_form import filled, shown_by
from soakd.config.shipped import data_root, find
from soakd.errors import RefusedError
from soakd.model.channels import ROLE_DIMENSIONS, Role
from soakd.model.look import DraftedPlan, Look, SeenChannel, SeenCheck, SeenLimit
from soakd.report.plan_file import plan_text
from soakd.report.planned import can_lines, cannot_lines
from soakd.rules.bounds import resolve
from soakd.sensors.roles import why
from soakd.sensors.snapshot import take_snapshot
from soakd.service import bench
from soakd.service.doctor import examine
from soakd.service.planning import channels_of, draft_plan, would_refuse
from soakd.service.readings import Watch, by_importance

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.clock import Clock
    from soakd.model.channels import Channel
    from soakd.model.configuration import Configuration
    from soakd.model.sheet import Sheet
    from soakd.service.home import Home

FIRST_PLAN = "three-minutes"
"""Of those that travel with soakd, the one to begin with."""
CONFIDENCE = 0.95
_GIVEN = (
    Role.CPU_TEMPERATURE, Role.COOLANT_TEMPERATURE, Role.AMBIENT_TEMPERATURE, Role.BOARD_TEMPERATURE,
    Role.MEMORY_TEMPERATURE, Role.DRIVE_TEMPERATURE, Role.ACCELERATOR_TEMPERATURE, Role.OTHER_TEMPERATURE,
    Role.FAN, Role.PUMP, Role.PACKAGE_POWER, Role.POWER,
)  # fmt: skip
"""Roles that a tuner may know better than any name says."""


def look(home: Home, configuration: Configuration, clock: Clock) -> Look:
    """Takes a second. Raises SoakdError where the bench cannot be looked at."""
    own = configuration
    watch = Watch(clock, roles=own.roles, plugins=own.plugins)
    watch.warm_up()
    shown = by_importance(watch.look())
    channels, snapshot = channels_of(own, clock), take_snapshot()
    limits, cautions = _limits(channels, clock)
    known = shown_by(snapshot, channels)
    return Look(
        taken_utc=utc_text(clock.wall()),
        channels=tuple(
            SeenChannel(
                name=each.name,
                role=each.role,
                why="soakd.toml says so" if each.name in own.roles else why(each.name, Role(each.role)),
                given=each.name in own.roles,
                others=_others(Role(each.role)),
                text=each.text,
                gap=each.gap,
            )
            for each in shown
        ),
        limits=limits,
        cautions=(*watch.cautions, *cautions),
        checks=tuple(
            SeenCheck(**asdict(check)) for check in examine(home, clock, own.roles, own.guard.watchdog, own.plugins)
        ),
        sheet=filled(known),
        filled=tuple(known),
        snapshot=snapshot,
    )


def draft(sheet: Sheet, hours: float, configuration: Configuration, clock: Clock) -> DraftedPlan:
    """A plan for so many hours. Raises ConfigError for the sheet, UsageError for the time."""
    drafted, survey = draft_plan(sheet, hours * 3600.0)
    about = (*can_lines(survey, CONFIDENCE), *cannot_lines(survey, CONFIDENCE, drafted.plan, sheet.clocks))
    return DraftedPlan(
        text=plan_text(drafted, survey),
        about=about,
        refused=would_refuse(drafted.plan, sheet, configuration, clock),
    )


def starting_set(configuration: Configuration, clock: Clock) -> dict[str, str]:
    """Path below a folder to text: the configuration with every key explained, a sheet in which is filled in what the
    bench shows, and the first plan.
    """
    shown = shown_by(take_snapshot(), channels_of(configuration, clock))
    own = data_root() / "configs" / "soakd.toml"
    return {
        "soakd.toml": own.read_text(encoding="utf-8"),
        "sheets/trial-1.toml": filled(shown),
        f"plans/{FIRST_PLAN}.toml": find(FIRST_PLAN, "plans").read_text(encoding="utf-8"),
    }


def _limits(channels: Sequence[Channel], clock: Clock) -> tuple[tuple[SeenLimit, ...], tuple[str, ...]]:
    """What the guard of a plan without limits of its own would hold, and what it could not."""
    plan = load_plan(find(FIRST_PLAN, "plans"))
    try:
        bounds, cautions = resolve(plan, channels, bench.unreadable(bench.sources(clock), channels))
    except RefusedError as error:
        return (), (error.message,)
    return tuple(SeenLimit(what=bound.what, says=bound.says, origin=bound.origin) for bound in bounds), cautions


def _others(role: Role) -> tuple[str, ...]:
    """What else could be measured in the same unit, where only the tuner knows what is connected."""
    if role not in _GIVEN:
        return ()
    return tuple(
        other.value for other in _GIVEN if other is not role and ROLE_DIMENSIONS[other] is ROLE_DIMENSIONS[role]
    )
