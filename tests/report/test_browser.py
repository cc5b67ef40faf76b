"""The report in a real browser, from the disk with the network off: quiet, legible to everybody, printable."""

from __future__ import annotations

import re

import pytest
from browsing import SCHEMES, WIDTHS, Opened, needs_browser, started_browser
from nights import rehearsed

from soakd.report.card import card
from soakd.report.view import view

pytestmark = needs_browser


@pytest.fixture(scope="module")
def browser():
    with started_browser() as started:
        yield started


@pytest.fixture(scope="module")
def shown():
    return rehearsed(errs=True)


@pytest.fixture(scope="module")
def file(shown, tmp_path_factory):
    path = tmp_path_factory.mktemp("report") / "night.html"
    path.write_text(shown[1], encoding="utf-8")
    return path


def opened_from_disk(browser, file, **options):
    return Opened(browser, file.as_uri(), offline=True, **options)


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("scheme", SCHEMES)
def test_it_opens_quietly_in_both_themes_and_at_any_width(browser, file, scheme, width):
    with opened_from_disk(browser, file, color_scheme=scheme, viewport={"width": width, "height": 900}) as opened:
        page = opened.page
        assert page.locator("h1").inner_text().casefold().startswith("fail")
        assert not opened.spills, "only tables scroll sideways"
        assert opened.brightness > 200 if scheme == "light" else opened.brightness < 60
        for button in page.get_by_role("button", name="Look closer").all():
            button.click()
        charts = page.locator(".uplot canvas")
        assert charts.count() == page.locator("section.group:has(svg.plot)").count() > 3
        assert charts.first.bounding_box()["width"] > 200
        page.locator("section.group select").first.select_option(index=1)
        page.locator(".uplot .u-over").first.hover()
        assert "°C" in page.locator(".uplot .u-legend").first.inner_text()
        assert not opened.spills
        assert opened.said == []
        assert opened.asked == [file.as_uri()]


@pytest.mark.parametrize("scheme", SCHEMES)
def test_nothing_stands_in_the_way_of_any_reader(browser, file, scheme):
    with opened_from_disk(browser, file, color_scheme=scheme, viewport={"width": 390, "height": 900}) as opened:
        assert opened.violations() == []


def test_without_scripts_it_says_everything(browser, file, shown):
    with opened_from_disk(browser, file, java_script_enabled=False) as opened:
        text = opened.page.locator("body").inner_text()
        for section in view(shown[0].verdict).numbers:
            assert all(" ".join(value.split()) in " ".join(text.split()) for _, value in section.rows)
        assert opened.page.locator("svg.plot").count() > 6
        assert opened.page.get_by_role("button").count() == 0
        assert opened.said == []


@pytest.mark.parametrize(("paper", "width_pt", "height_pt"), [("A4", 595, 842), ("Letter", 612, 792)])
def test_it_prints(browser, file, paper, width_pt, height_pt):
    """In the light theme, whatever the screen's is; sizes of paper from ISO 216 and ANSI Y14.1."""
    with opened_from_disk(browser, file, color_scheme="dark") as opened:
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
    with opened_from_disk(browser, path) as opened:
        edges = opened.page.evaluate(
            "[...document.querySelectorAll('text')].map((each) => each.getBBox()).map((box) => box.x + box.width)"
        )
        assert len(edges) > 10
        assert max(edges) < 632
        assert opened.said == []
