"""A plan rehearsed on the page: one at a time, in a process of its own, and drawn as the rehearsal has it."""

import asyncio
import os
import time
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import pytest

from soakd.config.files import load, load_plan, load_sheet
from soakd.config.shipped import shipped
from soakd.model.virtual import VirtualBench
from soakd.report.page import page
from soakd.report.rehearsed import ending
from soakd.report.rehearsed_view import done_text, marks, rehearsed_view
from soakd.service.reporting import rehearsed_night
from soakd.service.web_rehearse import Rehearsals
from soakd.web.rehearsals import RehearsalAsk

HTML = {"accept": "text/html"}
PLAN = """version = 1
name = "Short <evening>"
[[stage]]
name = "First"
workload = "integer"
duration = "30 s"
[[stage]]
name = "Second"
workload = "vector"
duration = "30 s"
"""
LONG = PLAN.replace("30 s", "40 h")


@pytest.fixture(scope="module")
def own(shared):
    folder = shared.home / "plans"
    folder.mkdir()
    (folder / "short.toml").write_text(PLAN)
    (folder / "long.toml").write_text(LONG)
    (folder / "broken.toml").write_text("version = 1\n")
    return shared


@pytest.fixture
def client(own):
    with own.client(headers=HTML) as made:
        yield made


def begun(client, **body):
    return client.post("/api/v1/rehearsals", json={"plan": "own/short", **body})


def ended(client, rehearsal_id):
    deadline = time.monotonic() + 60.0
    while (state := client.get(f"/api/v1/rehearsals/{rehearsal_id}").json())["state"] == "on":
        assert time.monotonic() < deadline
        time.sleep(0.1)
    return state


def idle_children(daemon):
    """Processes of the API's, and how they are scheduled."""
    pid = daemon.process.pid
    children = map(int, Path(f"/proc/{pid}/task/{pid}/children").read_text().split())
    found = []
    for child in children:
        with suppress(ProcessLookupError):
            if os.sched_getscheduler(child) == os.SCHED_IDLE:
                found.append(child)
    return found


def test_what_is_drawn_is_the_rehearsal(own, client):
    answer = begun(client, sheet="shipped/lantern", bench="shipped/lantern", seed=7)
    assert answer.status_code == 200, answer.text
    rehearsal_id = answer.json()["rehearsal_id"]
    watched = client.get(f"/rehearse/{rehearsal_id}").text
    assert "data-watch" in watched
    state = ended(client, rehearsal_id)
    shown, night = rehearsed_night(
        load_plan(own.home / "plans" / "short.toml"), load_sheet(shipped("sheets")["lantern"]),
        load(shipped("benches")["lantern"], VirtualBench), plan_file="own/short", seed=7,
    )  # fmt: skip
    assert (state["state"], state["share"], state["text"]) == ("done", 1.0, ending(shown))
    text = client.get(f"/rehearse/{rehearsal_id}").text
    view = rehearsed_view(shown, night)
    for strip in view.strips:
        assert f'd="{strip.drawn}"' in text
        assert strip.left in text
    assert all(f'd="{trace.mean}"' in text for trace in view.traces)
    assert view.points in text
    assert "Short &lt;evening&gt;" in text
    report = client.get(f"/rehearse/{rehearsal_id}/report")
    assert report.text == page(night)
    policy = report.headers["content-security-policy"]
    assert "script-src 'sha256-" in policy
    assert "frame-ancestors 'none'" in policy
    assert "Short &lt;evening&gt; · Lantern, trial 4" in client.get("/rehearse").text
    for given, words in (("31.12.2026 22:15", "is no date and time"), ("2099-01-01T00:00", "more than a year away")):
        assert words in client.get(f"/rehearse/{rehearsal_id}", params={"at": given}).text
    tomorrow = (datetime.now(UTC) + timedelta(days=1)).strftime("%Y-%m-%dT12:00")
    assert "about 12:01" in client.get(f"/rehearse/{rehearsal_id}", params={"at": tomorrow}).text


def test_one_at_a_time_where_nobody_else_needs_the_core_and_given_up_at_once(own, client):
    rehearsal_id = begun(client, plan="own/long").json()["rehearsal_id"]
    deadline = time.monotonic() + 60.0
    while not idle_children(own):
        assert time.monotonic() < deadline
        time.sleep(0.02)
    second = begun(client)
    assert (second.status_code, second.json()["code"]) == (409, "state")
    assert client.get(f"/rehearse/{rehearsal_id}/report").status_code == 404
    given_up = client.post(f"/api/v1/rehearsals/{rehearsal_id}/give-up", json={})
    assert given_up.json()["state"] == "given-up"
    while idle_children(own):
        assert time.monotonic() < deadline
        time.sleep(0.02)
    assert "given up by hand" in client.get(f"/rehearse/{rehearsal_id}").text


def test_what_cannot_be_rehearsed_is_refused_in_words(client):
    for body, words in (
        ({"plan": "own/nothing"}, "none of that name"),
        ({"plan": "own/broken"}, "name"),
        ({"sheet": "shipped/nothing"}, "none of that name"),
        ({"plan": "/etc/passwd"}, "plan"),
        ({"plan": "own/../../soakd"}, "plan"),
        ({"seed": 1.5}, "seed"),
        ({"seed": "1"}, "seed"),
    ):
        answer = begun(client, **body)
        assert answer.status_code == 422, (body, answer.text)
        assert words in answer.json()["detail"]
    unknown = client.get("/api/v1/rehearsals/00000000")
    assert (unknown.status_code, unknown.json()["code"]) == (404, "usage")
    assert client.get("/rehearse/00000000").status_code == 404


def test_one_that_may_only_look_is_shown_no_button_and_told_why(own):
    # on the Unix socket everybody may operate; a token of the other role is taken on TCP alone
    headers = {**HTML, "authorization": f"Bearer {own.tokens['look']}"}
    with httpx.Client(base_url=f"http://{own.api.tcp}", headers=headers, timeout=20.0) as looker:
        text = looker.get("/rehearse").text
        assert "This token may only look" in text
        assert "<form" not in text.partition("<footer>")[0]
        assert looker.post("/api/v1/rehearsals", json={"plan": "own/short"}).status_code == 403


def test_the_end_is_told_on_the_wall_s_clock_through_a_change_of_it():
    """2026-10-25, 03:00 CEST is 02:00 CET (Directive 2000/84/EC)."""
    berlin = ZoneInfo("Europe/Berlin")
    begun_at = datetime(2026, 10, 24, 21, 30, tzinfo=berlin)
    assert done_text(begun_at, 8 * 3600.0, berlin) == "about Sun 04:30 CET, after 8 h"
    texts = [text for _, text in marks(begun_at, 8 * 3600.0, berlin)]
    assert texts == ["22:00", "00:00", "02:00", "03:00"], "two hours apart, through the hour that comes twice"


def test_a_rehearsal_that_takes_too_long_is_given_up_and_the_next_one_may_begin(tmp_path):
    (tmp_path / "plans").mkdir()
    (tmp_path / "plans" / "long.toml").write_text(LONG)

    async def told():
        rehearsals = Rehearsals(tmp_path, limit_s=0.3)
        states = []
        for _ in range(2):
            state = await rehearsals.begin(RehearsalAsk(plan="own/long"))
            while state.state == "on":
                await asyncio.sleep(0.02)
                state = rehearsals.state(state.rehearsal_id)
            states.append(state)
        await asyncio.gather(*(job.task for job in rehearsals._jobs.values()))
        return states

    for state in asyncio.run(told()):
        assert (state.state, state.text.partition(":")[0]) == ("given-up", "given up after 0.3 s")
