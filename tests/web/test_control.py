"""What whoever implements a control owes: one suite over the stand-in, the API in front of it, and the daemon."""

import pytest
from controls import CONTROLS
from fake_daemon import PLAN

from soakd.errors import SoakdError

LATER = "23:00"


@pytest.fixture(scope="module", params=sorted(CONTROLS))
def control(request, tmp_path_factory):
    with CONTROLS[request.param](tmp_path_factory.mktemp(request.param)) as made:
        yield made


def added(control, **more):
    return control.ask("add", plan=PLAN, at=LATER, **more)


def test_what_is_added_waits_with_what_was_asked_for(control):
    sheet = {"version": 1, "name": "S", "values": {"core-voltage": "1.2 V"}}
    entry = added(control, sheet=sheet, priority=7, count=3, series="night")
    assert entry["state"] == "waiting"
    assert entry["plan"]["name"] == "Fake"
    assert entry["sheet"]["values"] == {"core-voltage": "1.2 V"}
    assert (entry["priority"], entry["count"], entry["series"], entry["runs_done"]) == (7, 3, "night", 0)


def test_every_entry_is_another_one_and_the_new_one_takes_the_last_place(control):
    first, second = added(control), added(control)
    assert first["entry_id"] != second["entry_id"]
    assert second["place"] > first["place"]


def test_a_check_says_what_would_be_and_keeps_nothing(control):
    before = added(control)
    told = control.ask("check", plan=PLAN)
    assert (told["when"], told["count"]) == ({"kind": "now"}, 1)
    assert told["due_utc"] is not None
    assert added(control)["place"] == before["place"] + 1


def test_a_check_refuses_what_adding_would(control):
    for wrong in ({"count": 0}, {"at": "23:00", "cron": "0 0 * * *"}):
        for verb in ("check", "add"):
            with pytest.raises((SoakdError, ValueError)):
                control.ask(verb, plan=PLAN, **wrong)


def test_hold_and_release_go_there_and_back(control):
    entry_id = added(control)["entry_id"]
    assert control.ask("hold", entry_id=entry_id)["state"] == "held"
    assert control.ask("release", entry_id=entry_id)["state"] == "waiting"


def test_cancel_is_for_good(control):
    entry_id = added(control)["entry_id"]
    assert control.ask("cancel", entry_id=entry_id)["state"] == "cancelled"
    for verb in ("hold", "release", "cancel"):
        with pytest.raises(SoakdError) as refused:
            control.ask(verb, entry_id=entry_id)
        assert refused.value.code == "state"
        assert "cancelled" in refused.value.message


def test_an_ended_entry_has_no_place(control):
    entry_id = added(control)["entry_id"]
    control.ask("cancel", entry_id=entry_id)
    with pytest.raises(SoakdError) as refused:
        control.ask("reorder", entry_id=entry_id, place=1, priority=0)
    assert refused.value.code == "state"


def test_what_waits_cannot_be_released(control):
    with pytest.raises(SoakdError) as refused:
        control.ask("release", entry_id=added(control)["entry_id"])
    assert refused.value.code == "state"


def test_reorder_gives_place_and_priority(control):
    entry_id = added(control)["entry_id"]
    moved = control.ask("reorder", entry_id=entry_id, place=0, priority=-5)
    assert (moved["entry_id"], moved["place"], moved["priority"]) == (entry_id, 0, -5)


@pytest.mark.parametrize("verb", ["hold", "release", "cancel"])
def test_an_unknown_entry_is_a_matter_of_usage(control, verb):
    with pytest.raises(SoakdError) as refused:
        control.ask(verb, entry_id="ffffffffffff")
    assert refused.value.code == "usage"
    assert "ffffffffffff" in refused.value.message


def test_stop_without_a_run_says_so(control):
    assert control.ask("stop", reason="to see") == {"run_id": None}
