"""The first start's words: which step is next, what a role could be instead, and what nothing watches."""

import pytest

from soakd.model.look import Look, SeenChannel, SeenLimit
from soakd.model.snapshot import Snapshot
from soakd.report.ready import ready_text
from soakd.report.start import current, grouped, steps, unwatched


def look(*channels, limits=()):
    shown = tuple(
        SeenChannel(name=f"hwmon/chip/{role}", role=role, why="w", text="" if gap else "1 rpm", gap=gap, others=others)
        for role, gap, others in channels
    )
    held = tuple(SeenLimit(what=f"hwmon/chip/{role}", says="stops above 90 °C", origin="plan") for role in limits)
    empty = Snapshot.model_construct()
    return Look.model_construct(taken_utc="", channels=shown, limits=held, sheet="", snapshot=empty)


@pytest.mark.parametrize(
    ("done", "skipped", "next_"),
    [
        ((), (), "cautions"),
        (("cautions", "limits"), (), "sensors"),
        (("cautions",), ("sensors", "limits", "doctor"), "drill"),
        (("cautions", "sensors", "limits", "doctor", "drill", "sheet", "plan"), (), "plan"),
    ],
)
def test_the_first_step_that_is_neither_done_nor_skipped_is_next(done, skipped, next_):
    shown = steps(done, skipped)
    assert current(shown) == next_
    assert {step.name for step in shown if step.state == "done"} == set(done)


def test_what_is_done_is_not_called_skipped_and_all_but_the_cautions_may_be():
    (sensors,) = [step for step in steps(("sensors",), ("sensors",)) if step.name == "sensors"]
    assert (sensors.state, sensors.number) == ("done", 2)
    assert [step.name for step in steps((), ()) if not step.without] == ["cautions"]


def test_what_tells_of_cooling_and_is_not_limited_is_named():
    seen = look(
        ("cpu-temperature", None, ()), ("pump", None, ()), ("coolant-temperature", None, ()),
        ("coolant-flow", "no reading", ()), ("fan", None, ()), limits=("cpu-temperature", "coolant-temperature"),
    )  # fmt: skip
    assert [channel.role for channel in unwatched(seen)] == ["pump"]


def test_only_what_could_be_something_else_is_asked_about():
    asked, others = grouped(look(("fan", None, ("pump",)), ("core-load", None, ())))
    assert ([channel.role for channel in asked], [channel.role for channel in others]) == (["fan"], ["core-load"])


def test_one_bad_answer_is_enough():
    assert ready_text(["good", "bad", "weak"]).startswith("Not ready")
    assert ready_text(["good", "weak"]).startswith("Nothing bad")
