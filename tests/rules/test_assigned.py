"""Roles that the tuner gives: they change what a channel is and never what it reads."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from run_parts import CPU, channel, limit, plan

from soakd.errors import EXIT_CONFIG, RefusedError
from soakd.model.channels import ROLE_DIMENSIONS, Role
from soakd.rules.assigned import assigned, strangers
from soakd.rules.bounds import resolve

FAN, AUX = channel("hwmon/board/fan7", Role.FAN), channel("hwmon/board/AUXTIN1", Role.OTHER_TEMPERATURE, critical=80.0)


def test_a_channel_has_the_role_that_was_given_to_its_full_name_and_the_others_keep_theirs():
    given_roles = {FAN.name: Role.PUMP, AUX.name: Role.COOLANT_TEMPERATURE}
    assert assigned([channel(), FAN, AUX], given_roles) == [
        channel(),
        channel(FAN.name, Role.PUMP),
        channel(AUX.name, Role.COOLANT_TEMPERATURE, critical=80.0),
    ]


def test_a_limit_on_the_given_role_watches_the_channel():
    channels = assigned([channel(), FAN], {FAN.name: Role.PUMP})
    bounds, _ = resolve(plan(limits=[limit("pump", below="900 rpm")]), channels)
    assert [bound.channel for bound in bounds if bound.role is Role.PUMP] == [FAN.name]


def test_a_processor_s_sensor_that_only_the_tuner_knows_gets_the_guard_s_own_limit():
    bounds, _ = resolve(plan(), assigned([AUX], {AUX.name: Role.CPU_TEMPERATURE}))
    assert [(bound.channel, bound.value) for bound in bounds] == [(AUX.name, 75.0)]


@given(st.sampled_from(list(Role)), st.sampled_from(list(Role)))
def test_a_role_is_taken_or_refused_by_its_unit(own, wanted):
    one = channel("x", own)
    if ROLE_DIMENSIONS[own] is ROLE_DIMENSIONS[wanted]:
        assert assigned([one], {"x": wanted}) == [channel("x", wanted)]
    else:
        with pytest.raises(RefusedError) as refused:
            assigned([one], {"x": wanted})
        assert refused.value.exit_code == EXIT_CONFIG
        assert "\n" not in refused.value.message
        assert wanted.value in refused.value.message


def test_a_refusal_names_the_roles_that_would_do():
    with pytest.raises(RefusedError, match="fan7 reads in rpm and cannot be coolant-temperature") as refused:
        assigned([FAN], {FAN.name: Role.COOLANT_TEMPERATURE})
    assert refused.value.hint == "a rotation can be pump, fan"


def test_a_name_that_the_bench_does_not_have_is_told_in_one_line():
    given_roles = {"hwmon/borad/fan7": Role.PUMP, FAN.name: Role.PUMP, CPU: Role.CPU_TEMPERATURE}
    (line,) = strangers([channel(), FAN], given_roles)
    assert line.startswith("roles: hwmon/borad/fan7 is no channel of this bench, so nothing is pump by it")
