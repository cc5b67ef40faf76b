"""The pages in a real browser: quiet, whole, legible to everybody, at any width, by day and by night."""

import time

import pytest
from browsing import SCHEMES, WIDTHS, Opened, needs_browser, started_browser
from fake_daemon import FakeDaemon, free_port
from lived_in import BETTER, FAILED, PASSED, live_in
from night_feed import DAY, HOUR_S, RUN_ID, Feed, night
from soak_bench import wait_until

from soakd.clock import SystemClock, utc_text
from soakd.service.home import Home
from soakd.service.tokens import TokenFile

pytestmark = needs_browser
PAGES = (
    "/", "/queue", "/ledger", f"/compare?a={PASSED}&b={BETTER}", f"/verdict/{RUN_ID}", f"/verdict/{FAILED}",
    "/settings", "/sensors", "/rehearse", "/rehearse/REHEARSED", "/help", "/help/guard", "/start", "/stop", "/nowhere",
)  # fmt: skip
HEAVIEST_BYTES = 400_000


@pytest.fixture(scope="module")
def browser():
    with started_browser() as started:
        yield started


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """In the evening of a day on the virtual bench, with a past and a queue: everything that a page may show."""
    home = tmp_path_factory.mktemp("page") / "state"
    home.mkdir(mode=0o700)
    status, entry_id = live_in(home)
    daemon = FakeDaemon(home, limits={"silent_s": 6.0}, tcp=f"127.0.0.1:{free_port()}")
    daemon.status |= status
    daemon.start().wait()
    daemon.token = TokenFile(Home(home), SystemClock()).add("operator", "operate")
    daemon.origin = f"http://{daemon.api.tcp}"
    daemon.feed = Feed(daemon, night(DAY, tick_s=10.0, began=utc_text(time.time() - 17.0 * HOUR_S)))
    daemon.feed.entry_id = entry_id
    with daemon.client(headers={"accept": "text/html"}) as client:
        assert client.get("/start?look=now").status_code == 200
        daemon.rehearsed = client.post("/api/v1/rehearsals", json={"plan": "shipped/evening"}).json()["rehearsal_id"]
        asked = f"/api/v1/rehearsals/{daemon.rehearsed}"
        wait_until(lambda: client.get(asked).json()["state"] == "done", "the rehearsal never ended", 120)
        daemon.feed.begin_late(17.0 * HOUR_S)
        proven = f"{daemon.run['rounds']} rounds checked"
        wait_until(lambda: proven in client.get("/").text, "the day was never read", 120)
    yield daemon
    daemon.feed.close()
    daemon.stop()


def opened(browser, bench, path, *, width=1024, scheme="light"):
    cookie = {"name": "soakd-token", "value": bench.token, "url": bench.origin, "httpOnly": True, "sameSite": "Strict"}
    path = path.replace("REHEARSED", bench.rehearsed)
    return Opened(
        browser, bench.origin + path, cookies=[cookie], color_scheme=scheme, viewport={"width": width, "height": 900}
    )


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("path", PAGES)
def test_a_page_is_quiet_and_nothing_stands_in_anybodys_way(browser, bench, path, scheme):
    """axe-core at the width of a phone; then wider and wider."""
    with opened(browser, bench, path, width=390, scheme=scheme) as page:
        page.page.locator("h1").first.wait_for()
        assert page.violations() == []
        for width in WIDTHS:
            page.page.set_viewport_size({"width": width, "height": 900})
            assert not page.spills, f"{width} px: only tables scroll sideways"
        assert page.brightness > 200 if scheme == "light" else page.brightness < 60
        refused = "the server responded with a status of 404"
        heard = [line for line in page.said if not (path == "/nowhere" and refused in line)]
        assert heard == []
        assert all(address.startswith((bench.origin, "data:")) for address in page.asked)


def test_a_stranger_signs_in_with_the_keyboard_alone(browser, bench):
    with Opened(browser, f"{bench.origin}/ledger", java_script_enabled=False) as page:
        assert page.page.url.endswith("/sign-in?next=/ledger")
        page.page.locator("input:focus").wait_for()
        page.page.keyboard.type(bench.token)
        page.page.keyboard.press("Enter")
        page.page.wait_for_url(f"{bench.origin}/ledger")
        assert page.page.locator("h1").first.inner_text()
        page.page.get_by_role("button", name="Sign out").focus()
        page.page.keyboard.press("Enter")
        page.page.wait_for_url(f"{bench.origin}/sign-in")


def test_the_first_page_says_all_three_things_and_what_is_left(browser, bench):
    with opened(browser, bench, "/") as page:
        shown = page.page.locator("main").inner_text()
        assert "Good so far" in page.page.locator("h1").inner_text()
        for question in ("Is it still good?", "How much is proven?", "When is it done?"):
            assert question in shown
        api = page.page.evaluate("fetch('/api/v1/status').then((answer) => answer.json())")["run"]
        assert f"{api['rounds']} rounds checked" in shown
        assert page.page.locator(".part-strips svg.plot").count() == len(bench.feed.record.bounds)
        assert page.page.locator("table.points td").count() > 6
        assert page.page.locator(".part-cores tbody tr").count() == len(bench.feed.record.cores)


def test_a_page_weighs_little(browser, bench):
    for path in ("/", "/queue", "/ledger", f"/verdict/{RUN_ID}"):
        with opened(browser, bench, path) as page:
            page.page.locator("h1").first.wait_for()
            sizes = page.page.evaluate(
                "[...performance.getEntriesByType('navigation'), ...performance.getEntriesByType('resource')]"
                ".filter((each) => !each.name.endsWith('/live')).map((each) => each.encodedBodySize)"
            )
            assert 5_000 < sum(sizes) < HEAVIEST_BYTES, path


def test_silence_is_said_and_ends(browser, bench):
    """The daemon stops talking; then the whole process of the API is gone and comes back under the open page."""
    with opened(browser, bench, "/") as page:
        bench.muted.set()
        page.page.locator("#stale", has_text="The daemon has said nothing for").wait_for()
        page.page.locator("h1 + p, .caution-loud", has_text="What stands below is old").first.wait_for()
        bench.muted.clear()
        page.page.locator(".caution-loud", has_text="What stands below is old").wait_for(state="detached")


def test_stopping_asks_first_and_needs_no_script(browser, bench):
    cookie = {"name": "soakd-token", "value": bench.token, "url": bench.origin}
    with Opened(browser, f"{bench.origin}/", cookies=[cookie], java_script_enabled=False) as page:
        page.page.get_by_role("link", name="Stop the load").click()
        page.page.get_by_label("Why").fill("smoke")
        page.page.get_by_role("button", name="Stop the load now").click()
        assert "soak" in page.page.locator("h1").inner_text() or "taken away" in page.page.locator("h1").inner_text()
