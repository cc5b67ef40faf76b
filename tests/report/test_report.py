"""A verdict on a screen: everything that decided it is there, at any width, whatever characters it is made of."""

from __future__ import annotations

import io
import string

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console
from run_parts import (
    CPU,
    channel,
    clean_run,
    end,
    found,
    limit,
    plan,
    record,
    sheet,
    snapshot,
    stage,
    stage_events,
    start,
    stopped,
    tick,
    totals,
    verdict,
)

from soakd.model.channels import Role
from soakd.model.finding import WrongResult
from soakd.report.text import CAUTION, verdict_text
from soakd.report.view import view

WIDTHS = (60, 80, 140)
WRONG = WrongResult(
    workload="integer", instruction_class="scalar", round=3, where="stream 2",
    expected="0x00000000000000ff", actual="0x00000000000000f7", flipped="0x0000000000000008",
)  # fmt: skip
WRONG_TEXT = (
    "core 1 computed a wrong result in integer (scalar), round 3, stream 2: expected 0x00000000000000ff, "
    "got 0x00000000000000f7, flipped bits 3"
)
FAILED = [
    start(),
    *stage_events(0, 1.0, workers=(totals(0), totals(1, mismatches=1)), complete=False, ticks=4),
    found("wrong-result", text=WRONG_TEXT, wrong=WRONG, core=1, stage=0),
    stopped(5.5),
    end(6.0),
]
HOT = record(
    plan(
        stage(name="Integer, [all] cores"),
        stage(name="Memory", workload="memory", memory_percent=50.0),
        limits=[limit(above="75 °C", hold_s=2.0), limit("hwmon/board/fan1", below="500 rpm")],
    ),
    channels=[channel(critical=95.0), channel("hwmon/board/fan1", Role.FAN)],
    with_sheet=True,
)
VERDICTS = {
    "pass": verdict(),
    "fail": verdict(record(), FAILED),
    "inconclusive": verdict(
        HOT, [start(), *stage_events(0, 1.0, ticks=5)], snapshot_after=snapshot(governor="powersave")
    ),
    "machine went down": verdict(HOT, clean_run(HOT)[:-1], same_boot=False, snapshot_after=None),
    "virtual, no sheet, drill": verdict(record(with_sheet=False, drill=True, snapshot=snapshot(virtualisation="kvm"))),
}


def rendered(what, width):
    screen = io.StringIO()
    Console(file=screen, width=width, no_color=True, force_terminal=False, highlight=False).print(what)
    return screen.getvalue()


def squeezed(text):
    """Without white space and bullets: what is left when line breaks do not count."""
    return "".join(text.split()).replace("•", "")


def everything(shown):
    """All words of a view that stand beside their key or alone."""
    yield from (shown.headline, shown.saying, shown.scope, shown.outcome.upper(), *shown.reasons, *shown.notes)
    for rows in (shown.identity, shown.coverage, shown.guard, shown.settings, shown.declared):
        yield from (word for row in rows for word in row)
    for row in shown.stages:
        yield from (row.number, row.name, row.state, row.load, *row.facts)
    if shown.points is not None:
        yield from (shown.points.counts, *shown.points.groups, *shown.points.steps)
        yield from (f"{mark}{meaning}" for mark, meaning in shown.points.legend)
        yield from (row.cores for row in shown.points.rows)
    for row in shown.margins:
        yield from (row.what, f"came to {row.nearest}, {row.bound} ({row.origin})", f"{row.left} left")


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", VERDICTS)
def test_no_width_loses_a_word(name, width):
    text = rendered(verdict_text(VERDICTS[name]), width)
    flat = squeezed(text)
    assert [words for words in everything(view(VERDICTS[name])) if squeezed(words) not in flat] == []
    assert squeezed(CAUTION) in flat
    assert max(len(line) for line in text.splitlines()) <= width
    assert "…" not in flat.replace(squeezed(view(VERDICTS[name]).identity[3][1]), "")


@pytest.mark.parametrize("name", VERDICTS)
def test_every_reason_and_note_of_the_verdict_is_in_the_view(name):
    judged, shown = VERDICTS[name], view(VERDICTS[name])
    assert [r for r in judged.reasons if not any(r.text in line and r.rule in line for line in shown.reasons)] == []
    assert [n for n in judged.notes if n.text not in shown.notes] == []
    assert (shown.outcome, len(shown.stages)) == (judged.outcome, len(judged.plan.stages))


def test_the_outcomes_shown_are_those_that_the_events_lead_to():
    assert [v.outcome for v in VERDICTS.values()] == ["pass", "fail", "inconclusive", "fail", "pass"]


def test_the_outcome_and_the_reasons_come_first():
    text = rendered(verdict_text(VERDICTS["fail"]), 100)
    places = [text.index(part) for part in (" FAIL ", "Reasons", "Stages", "Margins", "Coverage", "Guard", "Bench")]
    assert places == sorted(places)
    assert "Reasons" not in rendered(verdict_text(VERDICTS["pass"]), 100)


@pytest.mark.parametrize("width", WIDTHS)
def test_a_wrong_result_is_shown_with_core_patterns_and_bits(width):
    flat = squeezed(rendered(verdict_text(VERDICTS["fail"]), width))
    near = "[after 4 s, at 70.0 °C (cpu-temperature)]"
    for part in ("core 1", WRONG.expected, WRONG.actual, "flipped bits 3", "1 WRONG", near):
        assert squeezed(part) in flat


def test_every_bound_is_shown_with_what_was_left_of_it():
    """75 °C less a highest 70 °C leave 5 K: a difference of temperatures is in kelvin (SI Brochure, 9th ed., 2.3.1)."""
    cpu, fan = view(VERDICTS["inconclusive"]).margins
    assert (cpu.what, cpu.left, cpu.bound, cpu.nearest) == (
        f"cpu-temperature: {CPU}",
        "5.0 K",
        "stops above 75 °C",
        "70.0 °C",
    )
    assert (fan.left, fan.nearest, fan.bound) == ("unknown", "no reading", "stops below 500 rpm")


def test_what_was_left_is_counted_from_the_reading_nearest_to_the_bound():
    about = record(plan(limits=[limit(above="90 °C"), limit(below="10 °C")]))
    seen = [tick(2.0 + n, n, values={CPU: value}) for n, value in enumerate([40.0, 85.0, 60.0])]
    events = [start(), *seen, *(e for e in stage_events(0, 1.0) if e.kind != "tick"), end(13.0)]
    rows = [(row.nearest, row.left) for row in view(verdict(about, events)).margins]
    assert rows == [("85.0 °C", "5.0 K"), ("40.0 °C", "30.0 K")]


def test_limits_of_every_kind_are_shown_in_their_own_terms():
    coolant = "hwmon/board/coolant"
    limits = [
        limit(above="90 °C"), limit(minus=coolant, above="45 K"), limit(of=coolant, outside=("10 °C", "50 °C")),
        limit(above="69 °C", share_percent=50.0, then="fail"),
    ]  # fmt: skip
    inputs = [channel(critical=95.0), channel(coolant, Role.COOLANT_TEMPERATURE)]
    about = record(plan(stage(duration_s=20.0), limits=limits), channels=inputs)
    seen = [tick(2.0 + n, n, values={CPU: 70.0, coolant: 30.0}) for n in range(10)]
    events = [start(), *sorted([*(e for e in stage_events(0, 1.0) if e.kind != "tick"), *seen], key=lambda e: e.at_s)]
    rows = view(verdict(about, [*events, end(13.0)])).margins
    assert [(row.nearest, row.bound, row.left) for row in rows] == [
        ("70.0 °C", "stops above 90 °C", "20.0 K"),
        ("40.0 K", "stops above 45 K", "5.0 K"),
        ("30.0 °C", "stops outside 10 to 50 °C", "20.0 K"),
        ("45.0 %", "fails above 69 °C for more than 50 % of a stage", "5.0 %"),
    ]
    assert rows[1].what == f"cpu-temperature: {CPU} minus {coolant}"


def test_a_verdict_of_before_limits_had_margins_of_their_own_shows_them_still():
    old = VERDICTS["pass"]
    bare = old.model_copy(update={"evidence": old.evidence.model_copy(update={"limits": ()})})
    assert view(bare).margins == view(old).margins


def test_a_broken_bound_shows_a_negative_rest():
    hot = [tick(2.0, values={CPU: 93.0})]
    events = [start(), *hot, *(e for e in stage_events(0, 1.0) if e.kind != "tick"), end(13.0)]
    assert view(verdict(record(), events)).margins[0].left == "-3.0 K"


def test_a_bench_on_which_nothing_is_watched_says_so():
    about = record(plan(temperature="if-available"), channels=[])
    blind = [event for event in clean_run(record()) if event.kind != "tick"]
    text = rendered(verdict_text(verdict(about, blind)), 80)
    assert "no limit watches any sensor of this bench" in text
    assert "NOT observed" in text


def test_missing_readings_are_named_with_their_reasons():
    gaps = [tick(2.0 + n, n, values={}, gaps={CPU: "input/output error"}) for n in range(3)]
    events = [start(), *(e for e in stage_events(0, 1.0) if e.kind != "tick"), *gaps, end(13.0)]
    assert ("gaps", f"{CPU}: 3 × input/output error") in view(verdict(record(), events)).coverage


def test_channels_that_are_silent_for_one_reason_share_a_line():
    names = ["powercap/package-0", "powercap/psys"]
    about = record(channels=[channel(critical=95.0), *(channel(name, Role.PACKAGE_POWER) for name in names)])
    gaps = dict.fromkeys(names, "cannot be read: Permission denied")
    events = [start(), *(e for e in stage_events(0, 1.0) if e.kind != "tick"), tick(2.0, gaps=gaps), end(13.0)]
    line = ("gaps", "powercap/package-0, powercap/psys: 1 × cannot be read: Permission denied")
    assert line in view(verdict(about, events)).coverage


def test_what_a_stage_did_is_told_in_its_own_unit():
    memory = view(VERDICTS["machine went down"]).stages[1]
    assert "2 × 10⁹ bytes, 202 × 10⁶ per second" in memory.facts  # 2 × 10⁹ in 9.9 s by each of two cores
    assert "2 whole sweeps by every core" in memory.facts
    assert "4690 MHz median of the slowest core, 4690 at least" in memory.facts


def test_a_stage_that_did_not_start_claims_nothing():
    row = view(VERDICTS["inconclusive"]).stages[1]
    assert (row.state, row.facts) == ("not started", ())


PRINTABLE = st.text(alphabet=string.ascii_letters + string.digits + "[]/\\ .:#=°", min_size=1, max_size=70)


@settings(max_examples=40, deadline=None)
@given(name=PRINTABLE.filter(str.strip), value=PRINTABLE, width=st.sampled_from(WIDTHS))
def test_square_brackets_and_long_words_are_text_like_any_other(name, value, width):
    words = f"loop {value}"
    declared = sheet(name=name, values={"cooling": words})
    about = record(plan(stage(name=name)), sheet=declared, cautions=(words,))
    flat = squeezed(rendered(verdict_text(verdict(about)), width))
    assert flat.count(squeezed(name)) >= 2
    assert flat.count(squeezed(words)) >= 2


@pytest.mark.parametrize("width", WIDTHS)
def test_a_long_key_is_folded_and_not_cut(width):
    key = "voltage of the memory controller at the second of the two boards"
    about = record(sheet=sheet(values={key: "1.2 V"}))
    text = rendered(verdict_text(verdict(about)), width)
    assert [word for word in key.split() if word not in text] == []
    assert "1.2 V" in text
    assert "…" not in text.replace(view(verdict(about)).identity[3][1], "")


def test_the_view_needs_nothing_but_the_verdict_s_json():
    judged = VERDICTS["fail"]
    assert view(type(judged).model_validate_json(judged.model_dump_json())) == view(judged)
