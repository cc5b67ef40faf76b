"""A real run in a real browser: watched from its start to its verdict, stopped by a limit, and never lost sight of."""

import json
import signal

import pytest
from browsing import Opened, needs_browser, started_browser
from soak_bench import wait_until

from soakd.clock import SystemClock
from soakd.service.home import Home
from soakd.service.tokens import TokenFile

pytestmark = [pytest.mark.soak, needs_browser]
PLAN = {
    "version": 1,
    "name": "Watched",
    "coverage-floor": "50 %",
    "guard": {"temperature": "if-available", "tick": "0.5 s"},
    "stage": [
        {"name": "Integer", "workload": "integer", "duration": "5 s"},
        {"name": "Wide", "workload": "vector", "class": "widest", "duration": "5 s"},
    ],
}
"""The browser needs a share of the cores that the run would have for itself; the plan's floor allows for it."""
LIMITED = {
    **PLAN,
    "name": "Limited",
    "limit": [{"of": "core-load", "above": "50 %", "hold": "2 s"}],
    "stage": [{"name": "Integer", "workload": "integer", "duration": "10 min"}],
}


@pytest.fixture(scope="module")
def browser():
    with started_browser() as started:
        yield started


@pytest.fixture
def page(daemon, browser, free_tcp_port):
    home = Home(daemon.home)
    home.make()
    (daemon.home / "soakd.toml").write_text(f'version = 1\n[api]\ntcp = "127.0.0.1:{free_tcp_port}"\n')
    daemon.token = TokenFile(home, SystemClock()).add("operator", "operate")
    daemon.start().ready()
    origin = f"http://127.0.0.1:{free_tcp_port}"
    cookie = {"name": "soakd-token", "value": daemon.token, "url": origin}
    with Opened(browser, f"{origin}/", cookies=[cookie]) as opened:
        opened.origin = origin
        yield opened


def heading(page, text, seconds=60):
    """Wait until the open page says so by itself."""
    page.page.locator("h1", has_text=text).wait_for(timeout=1000 * seconds)


def test_a_run_is_watched_from_its_start_to_its_verdict(daemon, page):
    assert "No soak has been run on this bench" in page.page.locator("h1").inner_text()
    daemon.add(PLAN)
    heading(page, "so far")
    page.page.locator(".part-cores tbody tr").first.wait_for()
    page.page.locator(".stage-now", has_text="Stage 2 of 2, Wide").wait_for()
    heading(page, "No soak is on")
    ((run_id, outcome),) = daemon.rows("SELECT run_id, outcome FROM verdict")
    assert outcome == "pass"
    link = page.page.locator(".part-outcome a")
    assert link.locator(".outcome-word").inner_text().casefold() == "pass"
    link.click()
    page.page.wait_for_url(f"**/verdict/{run_id}")
    assert page.page.locator("h1").inner_text().casefold().startswith("pass")
    assert page.said == []


def test_a_limit_stops_it_and_the_open_page_says_which(daemon, page):
    daemon.add(LIMITED)
    heading(page, "so far")
    heading(page, "No soak is on")
    said = page.page.locator(".part-outcome").inner_text()
    ((outcome, body),) = daemon.rows("SELECT outcome, body FROM verdict")
    assert outcome == "fail"
    assert json.loads(body)["reasons"][0]["rule"] == "limit-broken"
    assert "core-load" in said or "psutil/load" in said, said


def test_a_daemon_that_is_killed_and_comes_back_is_seen_under_the_open_page(daemon, page):
    daemon.add({**LIMITED, "limit": [], "name": "Long"})
    heading(page, "so far")
    daemon.kill()
    page.page.locator("#stale", has_text="No word from the bench").wait_for()
    daemon.start().ready()
    heading(page, "No soak is on")
    page.page.locator("#stale").wait_for(state="hidden")
    assert "inconclusive" in page.page.locator(".part-outcome").inner_text().casefold()


def test_the_page_stops_the_load(daemon, page):
    daemon.add({**LIMITED, "limit": [], "name": "Long"})
    daemon.wait_for_load()
    page.page.get_by_role("link", name="Stop the load").click()
    page.page.get_by_label("Why").fill("it smells")
    page.page.get_by_role("button", name="Stop the load now").click()
    wait_until(daemon.outcomes, "no verdict", 30)
    ((reason,),) = daemon.rows("SELECT reason FROM verdict")
    assert "it smells" in reason
    assert not daemon.workers()
    assert daemon.process.poll() is None
    daemon.process.send_signal(signal.SIGTERM)
    assert daemon.process.wait(30) == 0
