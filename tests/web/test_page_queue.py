"""The queue's page: what it shows, what its form asks for, and that it never misreads what was typed."""

import html
import re
import time

import pytest
from fake_daemon import PLAN, claim

PAGE = {"accept": "text/html"}
SHORT = """
version = 1
name = "Short & sharp"
[guard]
temperature = "if-available"
[[stage]]
name = "s"
workload = "integer"
duration = "2 s"
"""


@pytest.fixture(scope="module")
def stocked(shared):
    """With a plan and a sheet of the bench's own, and a plan that cannot be used."""
    for folder in ("plans", "sheets"):
        (shared.home / folder).mkdir()
    (shared.home / "plans" / "short.toml").write_text(SHORT, encoding="utf-8")
    (shared.home / "plans" / "broken.toml").write_text('version = 1\nname = "B"\nnonsense = 1\n', encoding="utf-8")
    (shared.home / "sheets" / "mine.toml").write_text('version = 1\nname = "Mine"\n', encoding="utf-8")
    return shared


@pytest.fixture
def client(stocked):
    with stocked.client(headers=PAGE) as made:
        yield made


def words(answer):
    assert answer.status_code == 200, answer.text
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", answer.text)).split())


def added(client, **more):
    answer = client.post("/api/v1/entries", json={"plan": PLAN, **more})
    assert answer.status_code == 201, answer.text
    return answer.json()["entry_id"]


def checked(client, **wish):
    answer = client.post("/queue/check", json=wish)
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_an_empty_queue_says_what_to_do_next(start):
    with start().client(headers=PAGE) as client:
        text = words(client.get("/queue"))
    assert "Nothing runs and nothing waits. Queue a plan below." in text
    assert "no run begins in this time" in text
    assert "Overnight (overnight.toml)" in text, "a state folder without plans is no error"


def test_stored_files_can_be_chosen_and_one_that_cannot_be_used_says_why(client):
    answer = client.get("/queue?plan=own/short&sheet=own/mine")
    assert '<option value="own/short" selected>Short &amp; sharp (short.toml)</option>' in answer.text
    assert '<option value="own/mine" selected>' in answer.text
    assert "broken.toml cannot be used" in words(answer)
    assert "own/broken" not in answer.text


def test_the_part_that_renews_itself_is_what_the_page_shows(client):
    """Both are drawn from the moment on at which they are asked for: sooner or later two are asked for at one."""
    entry_id = added(client)
    deadline = time.monotonic() + 60
    while (part := client.get("/queue/list").text) not in (whole := client.get("/queue").text):
        assert time.monotonic() < deadline, (part, whole)
    assert entry_id in part


def test_a_wish_is_checked_and_nothing_is_kept(client):
    before = client.get("/api/v1/entries").json()
    told = checked(client, plan="own/short", sheet="own/mine", count="3")
    assert told["lines"][0] == "Short & sharp: 1 stage, about 5 s, for sheet “Mine”."
    assert "3 runs." in told["lines"]
    assert client.get("/api/v1/entries").json() == before


@pytest.mark.parametrize(
    ("wish", "says"),
    [
        ({}, "plan: none is chosen"),
        ({"plan": "own/broken"}, "nonsense: unknown key"),
        ({"plan": "own/../../tokens"}, "there is none of that name"),
        ({"plan": "own/gone"}, "there is none of that name"),
        ({"plan": "run/ffff"}, "no run 'ffff'"),
        ({"plan": "entry/ffff"}, "no entry 'ffff'"),
        ({"plan": "toml"}, "plan: nothing is written yet"),
        ({"plan": "toml", "plan-text": "version = 1\nname = 3"}, "this plan: name = 3: must be text in quotes"),
        ({"plan": "own/short", "sheet": "toml", "sheet-text": "x"}, "this sheet: not TOML"),
        ({"plan": "own/short", "count": "1,5"}, "count 1,5: a whole number from 1 to 1000"),
        ({"plan": "own/short", "count": "1.5"}, "count 1.5: a whole number from 1 to 1000"),
        ({"plan": "own/short", "count": "0"}, "count 0: a whole number from 1 to 1000"),
        ({"plan": "own/short", "priority": "1.000"}, "priority 1.000: a whole number from -100 to 100"),
        ({"plan": "own/short", "when": "at"}, "at: nothing is given"),
        ({"plan": "own/short", "when": "window", "opens": "23.00", "closes": "7:00"}, "opens 23.00: a time of day"),
        ({"plan": "own/short", "when": "cron", "cron": " "}, "cron: nothing is given"),
        ({"plan": "own/short", "when": "after"}, "after: nothing is given"),
        ({"plan": "own/short", "when": "at-boot", "settle": "2,5 min"}, "the decimal sign is a point: 2.5 min"),
        ({"plan": "own/short", "when": "someday"}, "when"),
    ],
)
def test_what_would_be_refused_says_what_would_be_right(client, wish, says):
    assert says in checked(client, **wish)["refused"]


def test_plan_and_sheet_can_be_those_of_an_earlier_entry(client):
    entry_id = added(client, sheet={"version": 1, "name": "Earlier"})
    again = client.post("/queue/add", json={"plan": f"entry/{entry_id}", "sheet": f"entry/{entry_id}", "series": "s"})
    assert again.status_code == 201
    assert (again.json()["plan"]["name"], again.json()["sheet"]["name"]) == ("Fake", "Earlier")
    assert again.json()["series"] == "s"
    plain = added(client)
    assert "has no sheet" in checked(client, plan=f"entry/{plain}", sheet=f"entry/{plain}")["refused"]


def test_an_entry_goes_before_or_behind_another(start):
    daemon = start()
    with daemon.client(headers=PAGE) as client:
        ids = [added(client) for _ in range(3)]

        def move(one, other, *, after):
            answer = client.post(f"/queue/{one}/beside", json={"entry_id": other, "after": after})
            assert answer.status_code == 200, answer.text
            places = {each: client.get(f"/api/v1/entries/{each}").json()["place"] for each in ids}
            return sorted(ids, key=places.__getitem__)

        assert move(ids[2], ids[0], after=False) == [ids[2], ids[0], ids[1]]
        assert move(ids[2], ids[1], after=True) == ids
        claim(daemon.home, ids[1])
        gone = client.post(f"/queue/{ids[0]}/beside", json={"entry_id": ids[1], "after": True})
        assert (gone.status_code, gone.json()["code"]) == (409, "state")


def test_who_may_only_look_is_offered_nothing_that_would_be_refused(stocked):
    import httpx

    with stocked.client() as client:
        added(client)
    cookies = {"soakd-token": stocked.tokens["look"]}
    with httpx.Client(base_url=f"http://{stocked.api.tcp}", headers=PAGE, cookies=cookies) as looker:
        text = looker.get("/queue").text
        assert "data-post" not in text
        assert '<form id="add"' not in text
        assert "may look, but not queue, move or cancel anything" in text
        refused = looker.post("/queue/check", json={"plan": "own/short"})
        assert refused.status_code == 403


def test_what_has_ended_is_told_with_its_reason(client):
    entry_id = added(client, plan={**PLAN, "name": "<b>Bold</b>"})
    client.post(f"/api/v1/entries/{entry_id}/cancel", json={})
    text = client.get("/queue/list").text
    assert "&lt;b&gt;Bold&lt;/b&gt;" in text
    assert "<b>Bold" not in text
    assert "cancelled" in text
