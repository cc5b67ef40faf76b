"""The report as one HTML file: it says what the terminal says, hides no peak, and needs and trusts nothing else."""

from __future__ import annotations

import base64
import itertools
import json
import math
import re
from array import array
from datetime import timedelta, timezone
from hashlib import sha256

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nights import Document, night_of, rehearsed
from run_parts import CPU, channel, clean_run, found, limit, plan, record, sheet, stage, verdict
from test_report import CAUTION, FAILED, HOT, VERDICTS, everything, rendered, squeezed

from soakd.config.shipped import data_root
from soakd.model.channels import Role
from soakd.model.columns import Columns
from soakd.report.assets import asset
from soakd.report.drawn import HEIGHT, area, band, blocks, line
from soakd.report.leads import CAUTION as LEADS_CAUTION
from soakd.report.page import THINNED, moment_text, page
from soakd.report.text import verdict_text
from soakd.report.traces import _shares
from soakd.report.view import view
from soakd.report.wrong import temperature_text
from soakd.rules.leads import leads
from soakd.rules.thinning import places, thinned, together

EVENTS = {"pass": clean_run(record()), "fail": FAILED, "inconclusive": clean_run(HOT), "machine went down": []}
RECORDS = {"pass": record(), "fail": record(), "inconclusive": HOT, "machine went down": HOT}
PUMP = "hwmon/board/pump"
HOSTILE = '</script><script>alert(\'1\')</script>" onload="x" & \u202eabc\u202c ' + "x" * 20


@pytest.fixture(scope="module")
def shown():
    return rehearsed(errs=True)


def squeezed_words(shown):
    """Of the fingerprint the page shows the whole, and of the outcome its own spelling."""
    words = (word for word in everything(shown) if word != dict(shown.identity)["fingerprint"])
    return {squeezed(word.removesuffix(" left")).casefold() for word in words} - {
        squeezed(dict(shown.identity)["started"]).casefold()
    }


@pytest.mark.parametrize("name", EVENTS)
def test_every_word_and_number_of_the_text_report_is_in_the_page(name):
    judged = VERDICTS[name]
    text = Document(page(night_of(RECORDS[name], judged, EVENTS[name]))).text.casefold()
    missing = [words for words in squeezed_words(view(judged)) if words not in text]
    parts = [words for words in missing if "cameto" not in words]  # a margin's parts stand in another order
    assert parts == []
    for row in view(judged).margins:
        for part in (row.what, f"came to {row.nearest}", row.bound, row.origin, f"{row.left} left"):
            assert squeezed(part).casefold() in text
    assert squeezed(CAUTION).casefold() in text


def test_what_is_worked_out_is_the_same_on_screen_and_page(shown):
    rehearsal, html = shown
    judged = rehearsal.verdict
    text, screen = Document(html).text, squeezed(rendered(verdict_text(judged), 400))
    assert judged.outcome == "fail"
    assert leads(judged)
    sections = view(judged).numbers
    assert {section.title for section in sections} >= {"Demonstrated", "Heat", "Electrical"}
    words = [word for section in sections for row in section.rows for word in (section.title, *row)]
    words += [
        word for lead in leads(judged) for word in (lead.statement, *lead.evidence, lead.try_next, lead.refuted_by)
    ]
    words += [LEADS_CAUTION]
    assert [word for word in words if squeezed(word) not in text] == []
    assert [word for word in words if squeezed(word) not in screen] == []
    for finding in judged.reasons:
        if finding.wrong is not None:
            assert finding.wrong.expected in text
            assert finding.wrong.actual in text


def test_wrong_words_of_memory_have_their_temperature_and_stand_in_no_cell_of_the_grid(shown):
    rehearsal, html = shown
    judged = rehearsal.verdict
    text, screen = Document(html).text, squeezed(rendered(verdict_text(judged), 400))
    wrong = [finding for finding in judged.reasons if finding.wrong is not None]
    assert {finding.temperature.role for finding in wrong} == {"cpu-temperature"}, "this bench reads none of memory"
    count = judged.evidence.stages[2].mismatches
    words = [temperature_text(finding) for finding in wrong]
    words += [f"In no cell: {count} wrong results of stages that hold no core at an operating point (memory)"]
    assert [each for each in words if squeezed(each) not in text or squeezed(each) not in screen] == []
    assert {point.errors for point in judged.evidence.points} == {0}
    assert 'class="wrong"' not in html


def test_the_outcome_comes_first_and_headings_go_down_one_by_one(shown):
    tags = Document(shown[1]).tags
    levels = [int(tag[1]) for tag, _ in tags if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))
    found = re.findall(r'<h2 id="([a-z]+)', shown[1])
    order = [
        "reasons",
        "leads",
        "wrong",
        "coverage",
        "margins",
        "traces",
        "stages",
        "numbers",
        "bench",
        "seal",
        "sources",
    ]
    assert [each for each in dict.fromkeys(found) if each in order] == order
    assert all("scope" in attributes for tag, attributes in tags if tag == "th")
    assert sum(tag == "table" for tag, _ in tags) == sum(tag == "caption" for tag, _ in tags)
    images = [attributes for tag, attributes in tags if tag == "svg" and attributes.get("role") == "img"]
    assert len(images) > 10
    assert all(re.search(r"\d", attributes["aria-label"]) for attributes in images)


def test_a_page_needs_no_other_file_and_allows_none(shown):
    tags = Document(shown[1]).tags
    assert shown[1].startswith("<!doctype html>")
    refers = [a[key] for _, a in tags for key in ("src", "href", "action", "data", "srcset", "poster") if key in a]
    assert refers
    assert all(each.startswith("#") for each in refers)
    assert not [a for _, a in tags if "style" in a or any(key.startswith("on") for key in a)]
    (policy,) = [a["content"] for _, a in tags if a.get("http-equiv") == "Content-Security-Policy"]
    assert policy.startswith("default-src 'none';")
    assert "unsafe" not in policy
    for element in ("style", "script"):
        (text,) = re.findall(rf"<{element}>(.*?)</{element}>", shown[1], re.DOTALL)
        digest = base64.b64encode(sha256(text.encode()).digest()).decode()
        assert f"{element}-src 'sha256-{digest}'" in policy


def test_a_rehearsal_s_page_says_first_that_it_is_one(shown):
    text = Document(shown[1]).text
    assert squeezed("Rehearsed on the virtual bench") in text[:200]
    assert squeezed("never signed") in text


def test_what_people_have_written_stays_text():
    about = record(
        plan(stage(name=HOSTILE)).model_copy(update={"name": HOSTILE}),
        channels=[channel(f"hwmon/{HOSTILE}/Tctl", critical=95.0), channel("a<b>&amp;", Role.FAN)],
    ).model_copy(update={"sheet": sheet(name=HOSTILE, values={HOSTILE: HOSTILE})})
    events = [
        event.model_copy(update={"values": {c.name: 50.0 + event.number for c in about.channels}})
        if event.kind == "tick"
        else event
        for event in clean_run(about)
    ]
    html = page(night_of(about, verdict(about, events), events, model=HOSTILE))
    found = Document(html)
    assert [a.get("type") for tag, a in found.tags if tag == "script"] == ["application/json", None]
    assert not [a for _, a in found.tags if any(key.startswith("on") for key in a)]
    assert found.text.count(squeezed(HOSTILE)) >= 6
    assert "<script>alert" not in html
    told = json.loads(re.search(r'id="closer">(.*?)</script>', html, re.DOTALL)[1])
    assert {c["name"] for group in told["groups"] for c in group} >= {c.name for c in about.channels[:2]}


READINGS = st.lists(st.one_of(st.just(math.nan), st.floats(-1e6, 1e6, width=32)), min_size=1, max_size=200)


@given(READINGS, st.integers(1, 40), st.floats(1.0, 300.0))
def test_thinning_hides_no_peak(readings, parts, ended_s):
    """Each part's lowest and highest are those of its own readings, all of which are in some part."""
    begins = places([float(n) for n in range(len(readings))], ended_s, parts)
    thin = thinned(array("f", readings), begins)
    assert begins[0] == 0
    assert begins[-1] == len(readings)
    assert len(thin.low) == len(thin.mean) == len(thin.high) == parts
    for part in range(parts):
        known = [value for value in readings[begins[part] : begins[part + 1]] if not math.isnan(value)]
        assert (thin.low[part], thin.high[part]) == (min(known, default=None), max(known, default=None))
        if known:
            assert thin.mean[part] == pytest.approx(math.fsum(known) / len(known), abs=1e-6 * max(map(abs, known)))


def test_channels_together_keep_the_peak_of_each():
    begins = [0, 2, 4]
    one, other = thinned(array("f", [1, 9, 2, 2]), begins), thinned(array("f", [5, 5, math.nan, math.nan]), begins)
    both = together([one, other])
    assert (both.low, both.mean, both.high) == ([1, 2], [5.0, 2.0], [9, 2])


def test_every_peak_of_a_run_is_in_its_page():
    """One reading in an hour stands out on each channel, up or down; it is in the strip's path and in the numbers."""
    about = record(plan(stage(duration_s=3600.0)))
    events = clean_run(about)
    base = next(event for event in events if event.kind == "tick")
    names = [c.name for c in about.channels]
    peaks = {name: (700 * (n + 1), 50.0 + (-1) ** n * 25.0) for n, name in enumerate(names)}
    ticks = [
        base.model_copy(
            update={
                "at_s": 2.0 + n,
                "number": n,
                "values": {m: peaks[m][1] if n == peaks[m][0] else 50.0 for m in names},
            }
        )
        for n in range(3600)
    ]
    events = [*[e for e in events if e.kind != "tick"], *ticks]
    events = [e.model_copy(update={"at_s": 3700.0}) if e.kind in {"stage-ended", "run-ended"} else e for e in events]
    html = page(night_of(about, verdict(about, events), events))
    told = json.loads(re.search(r'id="closer">(.*?)</script>', html, re.DOTALL)[1])
    for each in (c for group in told["groups"] for c in group if c["name"] in peaks):
        values = array("f", base64.b64decode(each["data"]))
        assert peaks[each["name"]][1] in values
    assert f"v{HEIGHT}h-1v-{HEIGHT}" in html, "a dip over the whole height, one part wide; the low edge is drawn back"
    assert f"v-{HEIGHT}h1v{HEIGHT}" in html, "and a peak"


def test_paths_are_steps_one_unit_wide():
    """By hand: nought at the top, a gap breaks the line, equal levels are one stroke."""
    half = HEIGHT // 2
    assert line([0.0, 10.0, 10.0, None, 5.0], 0.0, 10.0) == f"M0 {HEIGHT}h1v-{HEIGHT}h2M4 {half}h1"
    assert area([5.0, 10.0], 0.0, 10.0) == f"M0 {HEIGHT}V{half}h1v-{half}h1V{HEIGHT}z"
    assert band([0.0, 5.0], [10.0, 10.0], 0.0, 10.0) == f"M0 0h2V{half}h-1v{half}h-1z"
    assert blocks([False, True, True, False, True]) == f"M1 0h2v{HEIGHT}h-2zM4 0h1v{HEIGHT}h-1z"
    assert line([3.0, 3.0], 3.0, 3.0) == f"M0 {half}h2", "what never moves runs through the middle"
    assert area([-1.0], 0.0, 10.0) == f"M0 {HEIGHT}V{HEIGHT}h1V{HEIGHT}z", "what is beyond lies on the edge"


def test_a_thinned_run_says_so_and_one_without_readings_too():
    night = night_of(record(), verdict(), clean_run(record()))
    assert squeezed(THINNED) not in Document(page(night)).text
    night.columns.thinned = True
    assert squeezed(THINNED) in Document(page(night)).text
    bare = night_of(record(), verdict(), [event for event in clean_run(record()) if event.kind != "tick"])
    assert squeezed("nothing to draw") in Document(page(bare)).text


def test_times_are_utc_and_the_bench_s_own():
    berlin = timezone(timedelta(hours=1), "CET")
    assert moment_text("2026-01-01T23:30:05.000Z", None) == "2026-01-01 23:30:05 UTC"
    assert moment_text("2026-01-01T22:30:05.000Z", berlin) == "2026-01-01 22:30:05 UTC (23:30:05 CET on the bench)"
    text = moment_text("2026-01-01T23:30:05.000Z", berlin)
    assert text == "2026-01-01 23:30:05 UTC (2026-01-02 00:30:05 CET on the bench)"


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 40), st.integers(1, 5))
def test_however_short_a_run_was_there_is_a_page(ticks, stages):
    about = record(plan(*(stage() for _ in range(stages))))
    events = clean_run(about)[: ticks + 1]
    html = page(night_of(about, verdict(about, events), events))
    assert "nan" not in re.sub(r"[a-z]nan|nan[a-z]", "", Document(html).text)


def test_what_never_moved_has_no_strip_but_a_line():
    about = record(channels=[channel(critical=95.0), channel("hwmon/board/fan1", Role.FAN)])
    events = clean_run(about)
    events = [
        e.model_copy(update={"values": {**e.values, "hwmon/board/fan1": 700.0}}) if e.kind == "tick" else e
        for e in events
    ]
    text = Document(page(night_of(about, verdict(about, events), events))).text
    assert squeezed("The same all the time: hwmon/board/fan1: 700.0 rpm") in text


def test_the_sample_shows_what_a_report_looks_like_now():
    """`soakd plan rehearse overnight --sheet lantern --bench lantern --report shared/samples/overnight.html --force`"""
    sample = (data_root() / "shared" / "samples" / "overnight.html").read_text(encoding="utf-8")
    for name in ("report.css", "report.js"):
        assert asset(name) in sample, f"{name} has changed"
    assert "Rehearsed on the virtual bench" in sample
    assert len(sample.encode()) < 600_000


def limited(hottest_c, stopped_rpm=None):
    """A run of ten ticks that ends hot, with a pump that stands still in the end where that is asked for."""
    about = record(
        plan(stage(), limits=[limit(above="90 °C"), limit("pump", below="500 rpm"), limit(above="60 °C", then="note")]),
        channels=[channel(critical=95.0), channel(PUMP, Role.PUMP)],
    )
    events = []
    for event in clean_run(about):
        if event.kind == "tick":
            values = {**event.values, CPU: 40.0 + (hottest_c - 40.0) * event.number / 9.0, PUMP: 2400.0}
            events.append(event.model_copy(update={"values": values}))
        else:
            events.append(event)
    if stopped_rpm is not None:
        text = f"pump read {stopped_rpm}"
        broke = found(text=text, at_s=11.5, channel=PUMP, sample=stopped_rpm, limit=bound_of(about, PUMP))
        events[-2:-2] = [broke]
    return about, verdict(about, events), events


def bound_of(about, channel_name):
    return next(number for number, bound in enumerate(about.bounds) if bound.channel == channel_name)


def test_strips_begin_with_the_nearest_limit_and_mark_what_was_broken():
    """At 70 °C: 10 K beyond 60 °C, 20 K of 90 °C left (22 %), 1900 rpm of 500 rpm (380 %)."""
    html = page(night_of(*limited(70.0)))
    strips = re.findall(r"<strong>(\S+ \S+) left</strong>", html)
    assert strips == ["-10.0 K", "20.0 K", "1900.0 rpm"]
    assert html.count('class="beyond"') == 1
    first = html.index('class="beyond"')
    assert html.index("-10.0 K left") < first < html.index("20.0 K left")
    assert 'class="beyond"' not in page(night_of(*limited(59.0)))


def test_the_reading_that_stopped_the_load_is_in_the_trace_though_no_tick_has_it():
    html = page(night_of(*limited(50.0, stopped_rpm=0.0)))
    assert squeezed("2400.0 to 2400.0 rpm, mean 2400.0 rpm; 0.0 rpm where it broke its limit") in Document(html).text
    told = json.loads(re.search(r'id="closer">(.*?)</script>', html, re.DOTALL)[1])
    (pump,) = [c for group in told["groups"] for c in group if c["name"] == PUMP]
    assert 0.0 in array("f", base64.b64decode(pump["data"]))
    assert squeezed(f"The same all the time: {PUMP}: 2400.0 rpm") in Document(page(night_of(*limited(50.0)))).text


def test_speed_is_that_of_the_last_ten_seconds_against_the_mean_of_the_stage():
    """Two rounds a second for 100 s, then four: of a mean of three they are 66.7 and 133.3 %."""
    columns = Columns(channels=())
    for second in range(201):
        columns.add(float(second), 0, array("f"), 2 * min(second, 100) + 4 * max(0, second - 100))
    shares = list(_shares(columns))
    assert all(map(math.isnan, shares[:10]))
    assert shares[10:101] == pytest.approx([200.0 / 3.0] * 91)
    assert shares[110:] == pytest.approx([400.0 / 3.0] * 91)
    assert shares[105] == pytest.approx(100.0), "half of the window each"


def test_each_stage_tells_where_a_temperature_began_where_it_ended_and_its_most():
    about, _, events = limited(70.0)
    hot = [
        event.model_copy(update={"values": {**event.values, CPU: 88.0}})
        if event.kind == "tick" and event.number == 5
        else event
        for event in events
    ]
    row = page(night_of(about, verdict(about, hot), hot)).partition("In each stage")[2].partition("</table>")[0]
    assert re.findall(r"<td>(.*?)</td>", row) == ["40.0 °C", "70.0 °C", "88.0 °C"]
