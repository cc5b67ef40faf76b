"""Roles from the configuration, and channels that only need another reading, on the way to a run."""

from __future__ import annotations

import pytest

from soakd.clock import SystemClock
from soakd.errors import RefusedError
from soakd.model.channels import FOR_NOW, Channel, Role
from soakd.model.plan import GuardRules, Limit, Plan, Stage
from soakd.service import bench
from soakd.service.draft import draft_run

LOAD = "psutil/load 0"


class Source:
    """Channels with a scripted gap each; no reading at all."""

    name = "scripted"

    def __init__(self, **gaps):
        self._gaps = gaps

    def channels(self):
        return [Channel(name=name, role=Role.PACKAGE_POWER) for name in self._gaps]

    def read(self):
        return {}, self._gaps


def plan(*limits):
    stage = Stage(name="A second", workload="integer", duration_s=1.0)
    return Plan(version=1, name="Trial", guard=GuardRules(temperature="if-available"), limits=limits, stages=(stage,))


def draft(*limits, **roles):
    return draft_run(plan(*limits), None, plan_file="trial.toml", clock=SystemClock(), roles=roles.get("roles"))


def test_a_channel_that_only_needs_another_reading_is_not_unreadable():
    source = Source(soon=f"{FOR_NOW}power takes two readings", closed="cannot be read: Permission denied")
    assert bench.unreadable([source], source.channels()) == {"closed": "cannot be read: Permission denied"}


def test_a_limit_on_something_that_takes_two_readings_is_taken():
    record = draft(Limit(of="core-load", below="0 %"))
    assert {bound.channel for bound in record.bounds} >= {LOAD}


def test_a_run_is_recorded_with_the_roles_that_the_tuner_gave():
    record = draft(roles={LOAD: Role.STOLEN_TIME})
    assert {c.name: c.role for c in record.channels}[LOAD] == "stolen-time"


def test_a_role_for_a_channel_that_is_not_here_is_a_caution_of_the_run():
    record = draft(roles={"hwmon/borad/fan7": Role.PUMP})
    assert record.cautions[0].startswith("roles: hwmon/borad/fan7 is no channel of this bench")


def test_a_role_of_another_unit_starts_nothing():
    with pytest.raises(RefusedError, match="reads in % and cannot be pump"):
        draft(roles={LOAD: Role.PUMP})
