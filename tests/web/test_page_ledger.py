"""The ledger's page: the tree of trials, what is found in it, and two verdicts side by side."""

import html
import re

import pytest
from night_feed import night

from soakd.rules.fingerprint import fingerprint
from soakd.store.journal import Journal
from soakd.store.writer import Writer

PAGE = {"accept": "text/html"}


def trial(record, verdict, number, name, parent, *, day=1, outcome="pass", offset_v=0.0, drill=False):
    """One run of a trial, with an offset on its curve."""
    voltages = verdict.sheet.voltages.model_copy(update={"offset_v": offset_v})
    changes = {"name": name, "parent": parent, "voltages": voltages}
    sheet = None if name is None else verdict.sheet.model_copy(update=changes)
    run_id, started_utc = f"{number:012x}", f"2026-03-{day:02}T20:00:00.000Z"
    common = {
        "run_id": run_id, "sheet": sheet, "started_utc": started_utc, "drill": drill,
        "fingerprint": fingerprint(sheet, verdict.snapshot_before),
    }  # fmt: skip
    evidence = verdict.evidence.model_copy(update={"finished_utc": f"2026-03-{day:02}T23:30:00.000Z"})
    return record.model_copy(update=common), verdict.model_copy(
        update={**common, "evidence": evidence, "outcome": outcome}
    )


@pytest.fixture(scope="module")
def filled(shared):
    record, _, verdict = night()
    writer = Writer(shared.home / "journal.db")
    journal = Journal(writer)
    for each in (
        trial(record, verdict, 1, "Stock", None, day=1),
        trial(record, verdict, 2, "One", "Stock", day=2, offset_v=-0.02),
        trial(record, verdict, 3, "Two <b>", "One", day=3, offset_v=-0.05, outcome="fail"),
        trial(record, verdict, 4, "One", "Stock", day=4, offset_v=-0.02, drill=True, outcome="fail"),
        trial(record, verdict, 5, None, None, day=5, outcome="inconclusive"),
        trial(record, verdict, 6, "Apart", "Never soaked", day=6),
    ):
        journal.begin(each[0])
        journal.finish(each[1])
    writer.close()
    return shared


@pytest.fixture
def client(filled):
    with filled.client(headers=PAGE) as made:
        yield made


def trials(answer):
    """Depth, name and number of verdicts of each that is shown."""
    assert answer.status_code == 200, answer.text
    parts = re.findall(r'<li class="trial d(\d)">(.*?)</ul>\s*(?=<p class="facts"><a|</li>)', answer.text, re.DOTALL)
    return [
        (int(depth), html.unescape(re.search("<h3>(.*?)</h3>", part)[1]), part.count('class="verdict"'))
        for depth, part in parts
    ]


def test_an_empty_ledger_says_what_to_do_next(start):
    with start().client(headers=PAGE) as client:
        text = client.get("/ledger").text
    assert "No run has been judged on this bench yet" in text
    assert 'href="/queue"' in text


def test_a_trial_stands_under_the_trial_whose_settings_it_changes(client):
    answer = client.get("/ledger")
    assert trials(answer) == [
        (0, "Apart", 1), (0, "without a sheet", 1), (0, "Stock", 1), (1, "One", 2), (2, "Two <b>", 1)
    ]  # fmt: skip
    text = answer.text
    assert "made from “Never soaked”, which was never soaked here" in text
    assert "<li>voltages: offset -0.02 V → -0.05 V</li>" in text
    assert "a drill" in text
    assert "not signed" in text
    assert "<b>" not in text.replace("&lt;b&gt;", "")


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("outcome=fail", ["One", "Two <b>"]),
        ("outcome=inconclusive", ["without a sheet"]),
        ("since=2026-03-05", ["Apart", "without a sheet"]),
        ("until=2026-03-01", ["Stock"]),
        ("since=2026-03-02&until=2026-03-03", ["One", "Two <b>"]),
        ("setting=-0.05", ["Two <b>"]),
        ("setting=OFFSET", ["Apart", "Stock", "One", "Two <b>"]),  # of the first two, any setting that they declare
        ("setting=offset+not&outcome=pass", ["One"]),
        ("setting=nothing+like+it", []),
    ],
)
def test_what_is_asked_for_is_found_and_nothing_else(client, query, found):
    assert [name for _, name, _ in trials(client.get(f"/ledger?{query}"))] == found


def test_days_are_those_of_the_bench_s_wall(start, filled):
    """The zone of this one is UTC; a run that ended at 23:30 belongs to its own day."""
    with filled.client(headers=PAGE) as client:
        assert [name for _, name, _ in trials(client.get("/ledger?since=2026-03-06&until=2026-03-06"))] == ["Apart"]


def test_what_cannot_be_understood_is_said_and_left_out(client):
    answer = client.get("/ledger?since=1.3.2026&outcome=green&page=x")
    assert "A day is written like 2026-11-25." in answer.text
    assert "“green” is none" in answer.text
    assert len(trials(answer)) == 5


def test_one_trial_by_itself(client):
    text = client.get("/ledger?trial=One").text
    assert text.count('class="verdict"') == 2
    assert client.get("/ledger?no_sheet=1").text.count('class="verdict"') == 1
    assert "No verdict is like that" in client.get("/ledger?trial=Nobody").text


def test_any_two_are_chosen_and_compared(client):
    first = client.get("/ledger?a=000000000001").text
    assert "choose the other one below" in first
    assert 'href="/compare?a=000000000001&amp;b=000000000002"' in first
    answer = client.get("/compare?a=000000000002&b=000000000001")
    assert answer.status_code == 200
    text = html.unescape(re.sub(r"<[^>]*>", " ", answer.text))
    assert "voltages: offset not declared → -0.02 V" in text, "the older one is the old one"
    assert "Gain of each stage" in text


@pytest.mark.parametrize(
    ("pair", "says"),
    [
        ("a=000000000001&b=000000000001", "this is one and the same verdict"),
        ("a=000000000001&b=000000000004", "is a drill: it says nothing about the bench"),
    ],
)
def test_what_is_not_comparable_is_refused_with_the_reason(client, pair, says):
    answer = client.get(f"/compare?{pair}")
    assert answer.status_code == 200
    assert "Not comparable: " in answer.text
    assert says in answer.text


def test_a_comparison_of_nothing_leads_back(client):
    answer = client.get("/compare?a=000000000001")
    assert (answer.status_code, answer.headers["location"]) == (303, "/ledger")
    assert client.get("/compare?a=000000000001&b=ffff").status_code == 404


def test_what_the_daemon_says_of_the_standing_stands_on_top(filled):
    standing = {
        "covered": False, "failed": True, "run_id": "000000000003", "since_utc": "2026-03-03T23:30:00.000Z",
        "scope": "", "differs": ["wrong-result: core 1"],
    }  # fmt: skip
    filled.push_status(standing=standing)
    with filled.client(headers=PAGE) as client:
        for _ in range(50):
            filled.push_status(standing=standing)
            text = client.get("/ledger").text
            if "these settings failed since" in text:
                break
    assert "<li>wrong-result: core 1</li>" in text
    assert 'href="/verdict/000000000003"' in text
