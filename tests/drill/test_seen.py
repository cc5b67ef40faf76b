"""What makes a drill caught, held against a rehearsal's verdict; what the doctor says of the last report; the table."""

import io
import os
from dataclasses import replace
from importlib.metadata import version

import pytest
from rich.console import Console

from soakd.model.drill import DrillReport, DrillResult
from soakd.report.drill import drill_text
from soakd.service.check_drills import alarms
from soakd.service.drill.catalogue import drills
from soakd.service.drill.seen import Seen, not_shown, result_of
from soakd.service.home import Home

BY_NAME = {drill.name: drill for drill in drills()}


@pytest.fixture(scope="module")
def frozen(tmp_path_factory):
    """The drill of a frozen sensor, and what is seen of it."""
    drill = BY_NAME["sensor-frozen"]
    return drill, Seen(verdict=drill.rehearse(tmp_path_factory.mktemp("frozen")).verdict, latency_s=36.0)


def test_the_expected_rule_outcome_words_and_time_together_are_a_catch(frozen):
    drill, seen = frozen
    result = result_of(drill, seen)
    assert (result.state, result.noticed_by, result.rule) == ("caught", "guard", "required-reading-lost")
    assert result.outcome == "inconclusive"


@pytest.mark.parametrize(
    ("expected", "words"),
    [
        (
            {"rule": "limit-broken"},
            "nothing found is limit-broken (frozen); the verdict was inconclusive, hwmon/virtual",
        ),
        ({"words": "absurd"}, "nothing found is required-reading-lost (absurd)"),
        ({"outcome": "fail"}, "the verdict was inconclusive"),
        ({"rule": "", "outcome": "pass"}, "the verdict was inconclusive"),
        ({"most_s": 30.0}, "load gone: after 36.0 s, and 30 s is the most"),
    ],
)
def test_another_expectation_makes_the_same_sight_a_miss(frozen, expected, words):
    drill, seen = frozen
    result = result_of(replace(drill, **expected), seen)
    assert (result.state, result.noticed_by) == ("missed", None)
    assert words in result.why


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"left": 2}, "2 processes of the run outlived it"),
        ({"latency_s": None}, "load gone: not within 60 s"),
        ({"verdict": None}, "no verdict came of it"),
        ({"odd": "the load never came"}, "the load never came"),
    ],
)
def test_anything_odd_is_a_miss(frozen, change, words):
    drill, seen = frozen
    result = result_of(drill, replace(seen, **change))
    assert result.state == "missed"
    assert words in result.why


def report(*results, **changes):
    usual = {
        "finished_utc": "2026-03-01T20:00:00.000Z", "soakd_version": version("soakd"), "kernel": os.uname().release,
        "boot_id": "one", "took_s": 64.0, "results": results,
    }  # fmt: skip
    return DrillReport(**usual | changes)


def caught(drill):
    return DrillResult(
        name=drill.name, injected=drill.injected, reality=drill.reality, state="caught", expected=drill.expected,
        noticed_by=drill.by, rule=drill.rule, outcome=drill.outcome, latency_s=0.02,
    )  # fmt: skip


ALL = tuple(caught(drill) for drill in drills())
HIDDEN = (*ALL[:-1], not_shown(drills()[-1], "no privileges for a namespace"))
MISSED = (*ALL[:-1], ALL[-1].model_copy(update={"state": "missed", "why": "the verdict was a pass"}))


@pytest.mark.parametrize(
    ("kept", "state", "words"),
    [
        (None, "weak", "nobody has proved that they work here"),
        (report(*ALL), "good", f"{len(ALL)} of {len(ALL)} were proved on 2026-03-01T20:00:00.000Z"),
        (report(*HIDDEN), "weak", f"not shown: {ALL[-1].name}"),
        (report(*ALL, soakd_version="0.0.9"), "weak", "with soakd 0.0.9"),
        (report(*ALL, kernel="5.0-other"), "weak", "under kernel 5.0-other"),
        (report(*ALL[1:]), "weak", "there are more by now"),
        (report(*MISSED), "bad", f"missed on 2026-03-01T20:00:00.000Z: {ALL[-1].name}"),
    ],
)
def test_the_doctor_says_whether_the_alarms_were_proved_on_this_machine_as_it_is(kept, state, words, tmp_path):
    home = Home(tmp_path)
    if kept is not None:
        home.drills.write_text(kept.model_dump_json())
    (check,) = alarms(home)
    assert check.state == state
    assert words in check.text
    assert ("soakd drill" in check.remedy) == (state != "good" and kept != report(*HIDDEN))


def test_a_report_that_cannot_be_read_proves_nothing(tmp_path):
    home = Home(tmp_path)
    home.drills.write_text("{")
    (check,) = alarms(home)
    assert "nobody has proved" in check.text


@pytest.mark.parametrize("width", [80, 200])
def test_every_drill_is_told_of_at_any_width_and_what_was_not_caught_twice(width):
    def told(shown):
        console = Console(width=width, file=io.StringIO())
        for part in drill_text(shown, width):
            console.print(part, soft_wrap=width < 100)
        return console.file.getvalue()

    text = told(report(*MISSED))
    assert all(result.name in text for result in ALL)
    assert "the verdict was a pass" in text
    assert f"{len(ALL) - 1} of {len(ALL)} alarms were proved" in text
    assert f"MISSED: {ALL[-1].name}" in text
    assert f"Not shown here: {ALL[-1].name}: no privileges" in told(report(*HIDDEN))
