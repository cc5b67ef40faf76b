"""The settings of a trial: as its sheet declares them, drawn as the rules have them, held against another trial."""

import re
import time

import pytest

from soakd.clock import utc_text
from soakd.config.files import load_sheet
from soakd.config.shipped import shipped
from soakd.model.plan import Plan, Stage
from soakd.model.run import RunRecord
from soakd.model.snapshot import Snapshot
from soakd.report.settings import settings_view
from soakd.rules.gather import Gatherer
from soakd.rules.judge import judge
from soakd.store.journal import Journal
from soakd.store.writer import Writer

HTML = {"accept": "text/html"}
SNAPSHOT = Snapshot(
    machine="x", logical_cores=2, cores_allowed="0-1", memory_total_mib=2048, swap_total_mib=0, kernel="6.1",
    boot_id="b", processor="Harbour Six",
)  # fmt: skip
LANTERN = load_sheet(shipped("sheets")["lantern"])


@pytest.fixture(scope="module")
def bench(shared):
    """Three verdicts: of trial 3, of trial 4 that was made from it, and one without a sheet."""
    writer = Writer(shared.home / "journal.db")
    trials = (load_sheet(shipped("sheets")["lantern-trial-3"]), LANTERN, None)
    for number, sheet in enumerate(trials):
        run = RunRecord(
            run_id=f"{number}aaa11112222", soakd_version="0", started_utc=utc_text(time.time() + number), boot_id="b",
            drill=False, plan=Plan(version=1, name="P", stages=(Stage(name="s", workload="integer", duration=2.0),)),
            sheet=sheet, snapshot=SNAPSHOT, fingerprint=f"{number}" * 64, cores=(0,), channels=(), bounds=(),
            cautions=(), classes={"integer/streams widest": "scalar"},
        )  # fmt: skip
        evidence = Gatherer(run, {"integer": "ops"}).evidence(
            finished_utc=utc_text(time.time() + number), same_boot=True, suspended_s=0.0, snapshot_after=None
        )
        Journal(writer).begin(run)
        Journal(writer).finish(judge(run, evidence))
    writer.close()
    return shared


@pytest.fixture
def client(bench):
    with bench.client(headers=HTML) as made:
        yield made


def spots(text):
    """Of every line of every chart."""
    return re.findall(r'<svg class="spot" x="([\d.]+)%" y="([\d.]+)%"', text)


def test_the_newest_sheet_is_shown_and_held_against_its_parent(client):
    text = client.get("/settings").text
    assert "<h1>Settings: <bdi>Lantern, trial 4</bdi></h1>" in text
    assert "Harbour Six" in text
    assert "Held against <bdi>Lantern, trial 3</bdi>" in text
    assert ">run 0aaa11112222</a>" in text, "a run of the parent comes before a stored sheet of that name"
    drawn = [spot for chart in settings_view(LANTERN).charts for line in chart.lines for spot in line.spots]
    assert [(float(x), float(y)) for x, y in spots(text)] == drawn


@pytest.mark.parametrize("place", ["/settings/0aaa", "/settings?of=run/0aaa11112222"])
def test_any_run_can_be_chosen(client, place):
    text = client.get(place).text
    assert "<bdi>Lantern, trial 3</bdi></h1>" in text
    assert "What is not the same" not in text, "its parent is not there"


def test_stored_sheets_and_entries_can_be_chosen_and_held_against_one_another(client):
    answer = client.post(
        "/api/v1/entries",
        json={
            "plan": {"version": 1, "name": "P", "stage": [{"name": "s", "workload": "integer", "duration": "2 s"}]},
            "sheet": {"version": 1, "name": "Waiting <b>", "values": {"fan": "off"}},
        },
    )
    text = client.get(
        "/settings", params={"of": f"entry/{answer.json()['entry_id']}", "against": "shipped/lantern"}
    ).text
    assert "<bdi>Waiting &lt;b&gt;</bdi></h1>" in text
    assert '<th scope="row">values: fan</th><td>not declared</td><td>off</td>' in text
    assert "Nothing yet: what the operating system can see" in text
    same = client.get("/settings", params={"of": "shipped/lantern", "against": "run/1aaa11112222"}).text
    assert "Both declare the same" in same


def test_a_run_without_a_sheet_says_what_is_missing(client):
    text = client.get("/settings/2aaa11112222", params={"against": "shipped/lantern"}).text
    assert "Settings: none declared" in text
    assert "One of the two has no sheet" in text
    assert "Harbour Six" in text, "what the bench showed is there all the same"


def test_a_current_is_taken_with_its_unit_and_never_misread(client):
    at_150 = client.get("/settings", params={"of": "shipped/lantern", "current": "150 A"}).text
    assert "left at 150 A" in at_150
    assert "<td>1.175 V</td>" in at_150
    for wrong in ("150,5 A", "150", "1,200 A", "9999 A", "-1 A", "NaN A", "<b>"):
        text = client.get("/settings", params={"of": "shipped/lantern", "current": wrong}).text
        assert 'role="alert">“' in text, wrong
        assert "left at" not in text
    assert "decimals are written with a point" in client.get("/settings", params={"current": "150,5 A"}).text


@pytest.mark.parametrize("key", ["run/ffff", "entry/ffff", "own/none", "shipped/../../etc/passwd", "x"])
def test_what_is_not_there_is_said(client, key):
    answer = client.get("/settings", params={"of": key})
    assert answer.status_code in {404, 422}
    assert answer.headers["content-type"].startswith("text/html")
