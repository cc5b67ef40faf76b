"""The exposition, read back by the format's own parser."""

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from soakd.model.channels import ROLE_DIMENSIONS, Role, role_unit
from soakd.service.metrics import ChannelNow, MetricsView, RunNow, render

RUN_ID = "3fa8c0d1e2b4"


def channel(role, value, name=None):
    return ChannelNow(name=name or f"source/{role.value}", role=role.value, unit=role_unit(role), value=value)


def view(**changes):
    run = RunNow(
        run_id=RUN_ID, plan='Over "night"\n', sheet="Trial 4", stage=2, stages=6, elapsed_s=60.0, remaining_s=120.0,
        rounds=7, mismatches=1, least_margin={"source/cpu-temperature": 8.5},
        left={("source/cpu-temperature", "above 90 °C"): 0.25, ("a minus b", "above 0 K"): float("inf")},
    )  # fmt: skip
    parts = {
        "version": "0.1.0",
        "started_at_s": 1_767_225_600.0,
        "state": "soaking",
        "channels": (channel(Role.CPU_TEMPERATURE, 81.5), channel(Role.FAN, None)),
        "run": run,
        "runs": {"pass": 3},
        "rounds": 1234,
        "ticks": 60,
        "late_s": 0.004,
        "entries": {"waiting": 2, "held": 1},
        "verdict_outcome": "fail",
        "verdict_at_s": 1_767_225_000.0,
        "covered": False,
    }
    return MetricsView(**{**parts, **changes})


def samples(of):
    text, content_type = render(of)
    assert content_type.startswith("application/openmetrics-text")
    families = list(text_string_to_metric_families(text.decode()))
    assert len({family.name for family in families}) == len(families)
    return {(s.name, *sorted(s.labels.items())): s.value for family in families for s in family.samples}


@pytest.mark.parametrize(
    ("role", "value", "name", "shown"),
    [
        (Role.CPU_TEMPERATURE, 81.5, "soakd_sensor_celsius", 81.5),
        (Role.FAN, 1180.0, "soakd_sensor_rpm", 1180.0),
        (Role.VOLTAGE, 1.21, "soakd_sensor_volts", 1.21),
        (Role.CURRENT, 9.5, "soakd_sensor_amperes", 9.5),
        (Role.POWER, 142.0, "soakd_sensor_watts", 142.0),
        (Role.CORE_CLOCK, 5100.0, "soakd_sensor_hertz", 5.1e9),
        (Role.CORE_LOAD, 99.0, "soakd_sensor_ratio", 0.99),
        (Role.MEMORY_AVAILABLE, 2.0, "soakd_sensor_bytes", 2097152.0),
        (Role.MAINS, 1.0, "soakd_sensor_state", 1.0),
    ],
)
def test_a_reading_is_given_in_the_base_unit_that_its_name_ends_in(role, value, name, shown):
    got = samples(view(channels=(channel(role, value),)))
    key = (name, ("channel", f"source/{role.value}"), ("role", role.value))
    assert got[key] == pytest.approx(shown)


def test_every_role_there_is_can_be_shown():
    got = samples(view(channels=tuple(channel(role, 1.0) for role in Role)))
    shown = {
        dict(key[1:])["role"] for key in got if key[0].startswith("soakd_sensor_") and key[0] != "soakd_sensor_present"
    }
    assert shown == {role.value for role in ROLE_DIMENSIONS}


def test_a_gap_is_said_and_never_a_number():
    got = samples(view())
    fan = (("channel", "source/fan"), ("role", "fan"))
    assert got[("soakd_sensor_present", *fan)] == 0
    assert ("soakd_sensor_rpm", *fan) not in got


def test_the_run_s_identifier_stands_in_an_info_metric_alone():
    got = samples(view())
    assert {key[0] for key in got if RUN_ID in str(key)} == {"soakd_run_info"}
    assert got[("soakd_run_info", ("plan", 'Over "night"\n'), ("run_id", RUN_ID), ("sheet", "Trial 4"))] == 1


def test_what_is_left_of_each_limit_is_a_share_of_it():
    got = samples(view())
    assert got[("soakd_run_left_ratio", ("channel", "source/cpu-temperature"), ("limit", "above 90 °C"))] == 0.25
    assert got[("soakd_run_left_ratio", ("channel", "a minus b"), ("limit", "above 0 K"))] == float("inf")


def test_state_totals_queue_and_verdict_are_there():
    got = samples(view())
    assert got[("soakd_run_state", ("soakd_run_state", "soaking"))] == 1
    assert got[("soakd_run_state", ("soakd_run_state", "idle"))] == 0
    assert got[("soakd_runs_total", ("outcome", "pass"))] == 3
    assert got[("soakd_runs_total", ("outcome", "fail"))] == 0
    assert got[("soakd_rounds_total",)] == 1234
    assert got[("soakd_guard_lateness_seconds",)] == 0.004
    assert got[("soakd_queue_entries", ("state", "held"))] == 1
    assert got[("soakd_last_verdict", ("soakd_last_verdict", "fail"))] == 1
    assert got[("soakd_last_verdict_time_seconds",)] == 1_767_225_000.0
    assert got[("soakd_bench_covered",)] == 0
    assert got[("soakd_run_stage",)] == 3
    assert got[("soakd_run_margin_celsius", ("channel", "source/cpu-temperature"))] == 8.5


def test_what_is_not_known_is_not_made_up():
    got = samples(MetricsView(version="0.1.0", started_at_s=1.0))
    names = {key[0] for key in got}
    assert not names & {"soakd_guard_lateness_seconds", "soakd_last_verdict", "soakd_bench_covered", "soakd_run_info"}


def test_units_are_declared_for_those_who_read_them():
    text = render(view())[0].decode()
    assert "# UNIT soakd_sensor_celsius celsius" in text
    assert "# UNIT soakd_run_elapsed_seconds seconds" in text
