"""A verdict's page: the report inside our site, and the report so far of a run that goes on."""

import re
import time
from contextlib import closing

import pytest
from night_feed import RUN_ID, Feed, night

from soakd.report.page import policy_of
from soakd.service.home import Home
from soakd.service.reporting import report_of
from soakd.store.ledger import Ledger

PAGE = {"accept": "text/html"}


@pytest.fixture(scope="module")
def told():
    return night()


@pytest.fixture(scope="module")
def over(shared, told):
    """The night is over and judged."""
    feed = Feed(shared, told).begin()
    feed.until(float("inf"))
    feed.finish()
    return shared


@pytest.fixture
def client(over):
    with over.client(headers=PAGE) as made:
        yield made


def links(text):
    return re.findall(r'<a href="(/[^"]*)">', text)


def test_the_page_is_the_report_with_ways_out_of_it_and_its_own_policy(over, client):
    answer = client.get(f"/verdict/{RUN_ID}")
    assert answer.status_code == 200
    assert answer.headers["content-security-policy"] == policy_of(answer.text)
    assert "unsafe" not in answer.headers["content-security-policy"]
    assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]
    ours, files = re.findall(r'<nav[^>]* aria-label="(?:Pages|Files of this run)">.*?</nav>', answer.text, re.DOTALL)
    assert {"/", "/queue", "/ledger", "/stop"} <= set(links(ours))
    _, report = report_of(Home(over.home), RUN_ID, "UTC")
    assert "<nav class" not in report, "a file leads nowhere"
    assert answer.text.replace(ours, "").replace(files, "").split("</header>")[1] == report.split("</header>")[1]


def test_every_link_of_the_page_leads_somewhere(client):
    text = client.get(f"/verdict/{RUN_ID}").text
    ours = [each.replace("&amp;", "&") for each in links(text)]
    assert f"/api/v1/verdicts/{RUN_ID}/envelope" not in ours, "it is not signed"
    for address in ours:
        assert client.get(address).status_code == 200, address


def test_what_can_be_had_as_a_file(over, client):
    report = client.get(f"/verdict/{RUN_ID[:6]}/report.html")
    assert report.headers["content-disposition"] == f'attachment; filename="soakd-{RUN_ID}.html"'
    assert '<nav class="ways"' not in report.text
    card = client.get(f"/verdict/{RUN_ID}/card.svg")
    assert card.headers["content-type"] == "image/svg+xml"
    assert "unsigned" in card.text
    readings = client.get(f"/api/v1/verdicts/{RUN_ID}/readings")
    heading, *rows = readings.text.splitlines()
    assert heading.startswith("at [s],utc,stage,rounds,")
    with closing(Ledger(over.home / "journal.db")) as ledger:
        (ticks,) = ledger.read("tick_span", RUN_ID)
    assert len(rows) == ticks[2]


def test_what_is_not_there_is_said_in_words(client):
    for path in ("/verdict/ffff", "/verdict/ffff/report.html", "/verdict/ffff/card.svg", "/verdict/..%2f..%2fx"):
        answer = client.get(path)
        assert answer.status_code == 404, path
    assert "no verdict" in client.get("/verdict/ffff").text


def test_a_run_that_goes_on_has_its_report_so_far_and_nothing_that_is_decided(start, told):
    daemon = start()
    feed = Feed(daemon, told).begin()
    feed.until(700.0)
    with daemon.client(headers=PAGE) as client:
        answer = shown(client, "<em>complete</em>", "<em>goes on</em>")
        assert "So far: the run goes on" in answer.text
        assert answer.headers["content-security-policy"] == policy_of(answer.text)
        assert '<span class="outcome">so far</span>' in answer.text
        assert "Nothing is wrong so far" in answer.text
        assert "<em>to come</em>" in answer.text
        for wrong in ("went down", "stopped", "stage-incomplete", "settings-unverified", "Files of this run"):
            assert wrong not in answer.text, wrong
        feed.until(float("inf"))
        feed.finish()
        after = shown(client, '<span class="outcome">pass</span>')
        assert "So far" not in after.text
        assert '<span class="outcome">so far' not in after.text


def shown(client, *words):
    """As soon as the page says all of it."""
    deadline = time.monotonic() + 60
    while True:
        answer = client.get(f"/verdict/{RUN_ID}")
        if answer.status_code == 200 and all(each in answer.text for each in words):
            return answer
        assert time.monotonic() < deadline, answer.text[:3000]
        time.sleep(0.1)
