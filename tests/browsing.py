"""A real browser for tests, and what has to hold of every page in it."""

import shutil
from contextlib import contextmanager
from pathlib import Path

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
needs_browser = pytest.mark.skipif(CHROMIUM is None, reason="not shown on this machine: no browser")
ARGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
AXE = Path(__file__).parent / "report" / "axe-core" / "axe.min.js"
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
WIDTHS = (390, 1024, 1920)
SCHEMES = ("light", "dark")


@contextmanager
def started_browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=list(ARGS))
        yield started
        started.close()


class Opened:
    """A page, with all that its console said and all that it asked for."""

    def __init__(self, browser, address, *, offline=False, cookies=(), **options):
        self.context = browser.new_context(**options)
        self.context.set_offline(offline)
        self.context.add_cookies(list(cookies))
        self.page = self.context.new_page()
        self.said, self.asked, self.weight = [], [], 0
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(address)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.context.close()

    def violations(self):
        """Of axe-core's rules for WCAG 2.2 AA and good practice, contrast among them, with everything unfolded."""
        self.page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
        self.page.evaluate(AXE.read_text(encoding="utf-8"))
        found = self.page.evaluate("(tags) => axe.run({ runOnly: tags, resultTypes: ['violations'] })", WCAG)
        assert len(found["passes"]) > 12
        return [(each["id"], [node["target"] for node in each["nodes"]]) for each in found["violations"]]

    @property
    def brightness(self):
        """Of the paper, from 0 to 255."""
        shade = self.page.evaluate("getComputedStyle(document.body).backgroundColor")
        return sum(int(part) for part in shade.removeprefix("rgb(").rstrip(")").split(",")[:3]) / 3

    @property
    def spills(self):
        """More than tables and such scrolls sideways."""
        return self.page.evaluate("document.documentElement.scrollWidth > innerWidth")
