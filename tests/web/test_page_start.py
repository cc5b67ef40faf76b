"""The first start: what is done is remembered, nothing is queued before its cautions, and no file is ever replaced."""

import json
import shutil
import stat
from zoneinfo import ZoneInfo

import httpx
import pytest
from fake_daemon import RUN

from soakd.clock import utc_text
from soakd.web.pages.frame import timed

SHEET = 'version = 1\nname = "Lantern, trial 1"\n[clocks]\nreference = "100 MHz"\n'
PLAN = """version = 1
name = "Short"
[guard]
temperature = "if-available"
[[stage]]
name = "s"
workload = "integer"
duration = "2 s"
"""
HTML = {"accept": "text/html"}


@pytest.fixture
def bench(shared):
    """As nobody has begun with it, but for the look, which is made once."""
    with shared.client() as client:
        yield shared, client
    for place in ("start.json", "sheets", "plans"):
        path = shared.home / place
        shutil.rmtree(path) if path.is_dir() else path.unlink(missing_ok=True)


def done(client, step, did="done"):
    answer = client.post("/start/step", json={"step": step, "did": did})
    assert answer.status_code == 200, answer.text
    return answer.json()["here"]


def kept(client, **body):
    return client.post("/start/sheet", json={"text": SHEET, "name": "trial-1"} | body)


def test_the_steps_lead_on_and_are_remembered(bench):
    daemon, client = bench
    assert '<details data-step="cautions" open>' in client.get("/start", headers=HTML).text
    assert done(client, "cautions") == "sensors"
    assert done(client, "sensors") == "limits"
    assert done(client, "limits", "skipped") == "doctor"
    page = client.get("/start", headers=HTML).text
    assert '<details data-step="doctor" open>' in page
    assert "It was skipped: you do not know what will stop the load" in page
    assert done(client, "limits", "again") == "limits"
    note = daemon.home / "start.json"
    assert stat.S_IMODE(note.stat().st_mode) == 0o600
    assert json.loads(note.read_text())["acknowledged_utc"] <= utc_text(2**33)


def test_the_look_tells_sensors_limits_and_readiness_and_is_kept(bench):
    daemon, client = bench
    first = client.get("/start/bench").json()
    assert set(first["parts"]) == {"sensors", "limits", "doctor"}
    assert "more channels" in first["parts"]["sensors"]
    assert "All that stops it" in first["parts"]["limits"]
    assert "guard priority" in first["parts"]["doctor"]
    assert first["sheet"].startswith("# The settings of one trial")
    assert client.get("/start/bench").json() == first, "a look is not made twice"
    daemon.run = RUN
    daemon.push_status()
    refused = client.get("/start/bench?again=1")
    assert refused.status_code == 200, "an open page would call anything else an error"
    assert "a soak is on" in refused.json()["trouble"]
    assert client.get("/start/bench").json() == first, "what is known can be shown at any time"
    daemon.run = None
    daemon.push_status()


def test_a_sheet_is_checked_as_it_is_typed_and_kept_once(bench):
    daemon, client = bench
    found = client.post("/start/sheet/check", json={"text": SHEET}).json()
    assert found == {"name": "Lantern, trial 1", "findings": []}
    other = SHEET + "[processor]\ncores = 500\n"
    (found,) = client.post("/start/sheet/check", json={"text": other}).json()["findings"]
    assert (found["weight"], found["place"]) == ("refused", "processor: cores = 500")
    other = SHEET.replace("100 MHz", "100,5 MHz")
    told = client.post("/start/sheet/check", json={"text": other}).json()
    assert 'clocks: reference = "100,5 MHz": the decimal sign is a point' in told["trouble"]
    assert not (daemon.home / "sheets").exists()
    assert kept(client).json() == {"key": "own/trial-1"}
    path = daemon.home / "sheets/trial-1.toml"
    assert (path.read_text(), stat.S_IMODE(path.stat().st_mode)) == (SHEET, 0o600)
    again = kept(client, text=SHEET + "# other\n")
    assert (again.status_code, path.read_text()) == (409, SHEET)
    assert list(path.parent.iterdir()) == [path]
    assert '<details data-step="sheet">' in client.get("/start", headers=HTML).text


@pytest.mark.parametrize("name", ["", "../trial", "Trial", "a/b", ".trial", "trial.toml", "x" * 61, "trial\n"])
def test_a_file_has_a_plain_name(bench, name):
    daemon, client = bench
    assert kept(client, name=name).status_code == 422
    assert not (daemon.home / "sheets").exists()


def test_what_is_no_sheet_or_plan_is_not_kept(bench):
    daemon, client = bench
    assert kept(client, text="version = 1\n").status_code == 422
    assert client.post("/start/plan", json={"text": SHEET, "name": "first"}).status_code == 422
    assert not (daemon.home / "sheets").exists()
    assert not (daemon.home / "plans").exists()


def test_a_plan_is_drafted_for_so_many_hours_with_either_mark(bench):
    _, client = bench
    key = kept(client, text=client.get("/start/bench").json()["sheet"]).json()["key"]
    told = client.post("/start/plan/draft", json={"sheet": key, "hours": "0,5"}).json()
    assert 'name = "Trial 1: 30 min"' in told["text"], told
    assert (told["name"], bool(told["about"])) == ("trial-1-0-5h", True)
    for wrong in ("", "acht", "1.000,5", "-1", "0", "1e9", "nan", "١"):
        refused = client.post("/start/plan/draft", json={"sheet": key, "hours": wrong})
        assert refused.status_code == 422, wrong
        assert "no number of hours" in refused.json()["detail"]
    short = client.post("/start/plan/draft", json={"sheet": key, "hours": "0.01"})
    assert (short.status_code, "too short" in short.json()["detail"]) == (422, True)


def test_nothing_is_queued_before_the_cautions_are_acknowledged(bench):
    daemon, client = bench
    assert client.post("/start/plan", json={"text": PLAN, "name": "first"}).status_code == 201
    sheet = kept(client).json()["key"]
    asked = {"plan": "own/first", "sheet": sheet}
    daemon.heard.clear()
    refused = client.post("/start/queue", json=asked)
    assert (refused.status_code, [line["verb"] for line in daemon.heard]) == (409, [])
    done(client, "cautions")
    assert client.post("/start/queue", json=asked).status_code == 201
    (heard,) = daemon.heard
    assert (heard["verb"], heard["arguments"]["plan"]["name"]) == ("add", "Short")
    assert heard["arguments"]["sheet"]["name"] == "Lantern, trial 1"
    assert client.post("/start/queue", json={"plan": "own/none", "sheet": None}).status_code == 422
    assert '7 First plan <span class="state done">' in client.get("/start", headers=HTML).text
    assert done(client, "cautions", "again") == "cautions", "it can be taken back"
    assert client.post("/start/queue", json=asked).status_code == 409


def test_drills_are_shown_as_they_come(bench):
    daemon, client = bench
    assert "No alarm has been proved" in client.get("/start/drill").json()["html"]
    result = {
        "name": "worker-killed", "injected": "SIGKILL to a worker", "reality": "real", "state": "missed",
        "expected": "guard: worker-died, inconclusive", "why": "nobody saw <it>",
    }  # fmt: skip
    call = {"begun_utc": "2026-01-01T00:00:00.000Z", "names": ["worker-killed", "crew-killed"], "doing": "crew-killed"}
    daemon.push(drill=call | {"results": [result]})
    daemon.push_status(drill={"done": 1, "of": 2, "doing": "crew-killed", "missed": 1})
    while not (told := client.get("/start/drill").json())["on"]:
        pass
    assert "1 of 2 tried; now crew-killed" in told["html"]
    assert "✗ missed" in told["html"]
    assert "nobody saw &lt;it&gt;" in told["html"]
    assert client.get("/api/v1/drill").json()["call"]["doing"] == "crew-killed"
    assert client.post("/api/v1/drill", json={"names": ["worker-killed"]}).json()["names"] == ["worker-killed"]


def test_who_may_only_look_sees_no_button_that_would_be_refused(shared):
    for role, buttons in (("operate", True), ("look", False)):
        headers = HTML | {"authorization": f"Bearer {shared.tokens[role]}"}
        page = httpx.get(f"http://{shared.api.tcp}/start", headers=headers).text
        assert ('data-post="/start/step"' in page) is buttons
        assert ('id="begin-drill"' in page) is buttons
        assert ("<textarea" in page) is buttons
        assert ("You may look, and not change anything" in page) is not buttons


def test_moments_and_commands_in_the_doctor_s_words_are_set_as_such():
    shown = timed("proved on 2026-11-26T05:32:51.242Z with `soakd <drill>`", ZoneInfo("Europe/Berlin"))
    assert shown == (
        'proved on <time datetime="2026-11-26T05:32:51Z">2026-11-26 06:32:51 CET</time> '
        "with <code>soakd &lt;drill&gt;</code>"
    )
