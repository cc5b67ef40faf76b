"""The report in a real browser, from the disk with the network off: quiet, legible to everybody, printable."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from nights import rehearsed

from soakd.report.card import card
from soakd.report.view import view

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = [
    pytest.mark.skipif(CHROMIUM is None, reason="not shown on this machine: no browser"),
]
ARGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
AXE = Path(__file__).parent / "axe-core" / "axe.min.js"
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
WIDTHS = (390, 1024, 1920)
SCHEMES = ("light", "dark")


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=list(ARGS))
        yield started
        started.close()


@pytest.fixture(scope="module")
def shown():
    return rehearsed(errs=True)


@pytest.fixture(scope="module")
def file(shown, tmp_path_factory):
    path = tmp_path_factory.mktemp("report") / "night.html"
    path.write_text(shown[1], encoding="utf-8")
    return path


class Opened:
    """A page, with all that its console said and all that it asked for."""

    def __init__(self, browser, file, **options):
        self.context = browser.new_context(**options)
        self.context.set_offline(True)
        self.page = self.context.new_page()
        self.said, self.asked = [], []
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(file.as_uri())

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.context.close()


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("scheme", SCHEMES)
def test_it_opens_quietly_in_both_themes_and_at_any_width(browser, file, scheme, width):
    with Opened(browser, file, color_scheme=scheme, viewport={"width": width, "height": 900}) as opened:
        page = opened.page
        assert page.locator("h1").inner_text().casefold().startswith("fail")
        assert page.evaluate("document.documentElement.scrollWidth") <= width, "only tables scroll sideways"
        shade = page.evaluate("getComputedStyle(document.body).backgroundColor")
        brightness = sum(map(int, re.findall(r"\d+", shade)[:3])) / 3
        assert brightness > 200 if scheme == "light" else brightness < 60
        for button in page.get_by_role("button", name="Look closer").all():
            button.click()
        charts = page.locator(".uplot canvas")
        assert charts.count() == page.locator("section.group:has(svg.plot)").count() > 3
        assert charts.first.bounding_box()["width"] > 200
        page.locator("section.group select").first.select_option(index=1)
        page.locator(".uplot .u-over").first.hover()
        assert "°C" in page.locator(".uplot .u-legend").first.inner_text()
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert opened.said == []
        assert opened.asked == [file.as_uri()]


@pytest.mark.parametrize("scheme", SCHEMES)
def test_nothing_stands_in_the_way_of_any_reader(browser, file, scheme):
    """axe-core's rules for WCAG 2.2 AA and good practice, contrast among them, with everything unfolded."""
    with Opened(browser, file, color_scheme=scheme, viewport={"width": 390, "height": 900}) as opened:
        page = opened.page
        page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
        page.evaluate(AXE.read_text(encoding="utf-8"))
        found = page.evaluate("(tags) => axe.run({ runOnly: tags, resultTypes: ['violations'] })", WCAG)
        assert [(each["id"], [node["target"] for node in each["nodes"]]) for each in found["violations"]] == []
        assert len(found["passes"]) > 20


def test_without_scripts_it_says_everything(browser, file, shown):
    with Opened(browser, file, java_script_enabled=False) as opened:
        text = opened.page.locator("body").inner_text()
        for section in view(shown[0].verdict).numbers:
            assert all(" ".join(value.split()) in " ".join(text.split()) for _, value in section.rows)
        assert opened.page.locator("svg.plot").count() > 6
        assert opened.page.get_by_role("button").count() == 0
        assert opened.said == []


@pytest.mark.parametrize(("paper", "width_pt", "height_pt"), [("A4", 595, 842), ("Letter", 612, 792)])
def test_it_prints(browser, file, paper, width_pt, height_pt):
    """In the light theme, whatever the screen's is; sizes of paper from ISO 216 and ANSI Y14.1."""
    with Opened(browser, file, color_scheme="dark") as opened:
        opened.page.emulate_media(media="print", color_scheme="dark")
        assert opened.page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
        assert not opened.page.locator("nav").is_visible()
        printed = opened.page.pdf(format=paper, print_background=True)
    (box,) = set(re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", printed))
    assert [round(float(side)) for side in box] == pytest.approx([width_pt, height_pt], abs=1)
    assert 3 <= len(re.findall(rb"/Type /Page\b", printed)) <= 20


def test_nothing_of_a_card_runs_out_of_it(browser, shown, tmp_path):
    path = tmp_path / "card.svg"
    path.write_text(card(shown[0].verdict, f"signed by key {'0' * 16}…"), encoding="utf-8")
    with Opened(browser, path) as opened:
        edges = opened.page.evaluate(
            "[...document.querySelectorAll('text')].map((each) => each.getBBox()).map((box) => box.x + box.width)"
        )
        assert len(edges) > 10
        assert max(edges) < 632
        assert opened.said == []
