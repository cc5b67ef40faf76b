"""A running soak on a screen: which stage, what is left of the nearest margin, how much is proven, when it is done."""

from __future__ import annotations

import io

import pytest
from rich.console import Console
from run_parts import CPU, channel, clean_run, found, limit, plan, record, stage, start, stopped, tick, totals

from soakd.model.channels import Role
from soakd.model.journal import Cooling, StageAnnounced, StageEnded, StageStarted
from soakd.report.live import BAND_CELLS, Progress, band, margin_line, picture, plain_line

FAN = "hwmon/board/fan1"
TWO = record(
    plan(
        stage(name="Integer [warm]"), stage(name="Vector", workload="vector", duration_s=30.0),
        limits=[limit(above="90 °C"), limit(FAN, below="500 rpm")],
    ),
    channels=[channel(critical=95.0), channel(FAN, Role.FAN)],
)  # fmt: skip


def after(*events, of=TWO):
    progress = Progress(of)
    for event in events:
        progress.take(event)
    return progress


def drawn(progress, width=80):
    screen = io.StringIO()
    Console(file=screen, width=width, no_color=True, highlight=False).print(picture(progress))
    return screen.getvalue()


def begun(number, at_s):
    return StageAnnounced(at_s=at_s, stage=number), StageStarted(at_s=at_s + 1.0, stage=number, pids={0: 1, 1: 2})


def over(number, at_s, *, complete=True):
    return StageEnded(at_s=at_s, stage=number, complete=complete, workers=(totals(0), totals(1)))


# Events so far, the words for where the run is, load time behind and ahead in seconds (10 s and 30 s are planned).
MOMENTS = [
    pytest.param([], "building and trying the kernels", 0, 40, id="at first"),
    pytest.param([start()], "between stages", 0, 40, id="prepared"),
    pytest.param([start(), *begun(0, 1.0)], "1 of 2: Integer [warm]", 0, 40, id="the load begins"),
    pytest.param([start(), *begun(0, 1.0), tick(6.0)], "1 of 2: Integer [warm]", 4, 36, id="in the first stage"),
    pytest.param([start(), *begun(0, 1.0), tick(99.0)], "1 of 2: Integer [warm]", 10, 30, id="never more than planned"),
    pytest.param([start(), *begun(0, 1.0), over(0, 12.0)], "between stages", 10, 30, id="one stage done"),
    pytest.param(
        [start(), *begun(0, 1.0), over(0, 12.0), *begun(1, 13.0), tick(29.0, in_stage=1)], "2 of 2: Vector", 25, 15,
        id="in the second stage",
    ),
    pytest.param(
        [start(), *begun(0, 1.0), stopped(5.0), over(0, 5.1, complete=False)], "stopped", 0, 40, id="stopped",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("events", "where", "behind_s", "ahead_s"), MOMENTS)
def test_it_says_which_stage_and_how_much_of_the_plan_is_left(events, where, behind_s, ahead_s):
    progress = after(*events)
    assert (progress.elapsed_s, progress.remaining_s) == (behind_s, ahead_s)
    assert plain_line(progress).startswith(f"{where} · {ahead_s} s left")
    assert where in drawn(progress)


@pytest.mark.parametrize(("events", "where", "behind_s", "ahead_s"), MOMENTS)
def test_the_band_is_as_solid_as_the_plan_is_done(events, where, behind_s, ahead_s):
    cells = band(after(*events)).plain
    assert cells.count("▰") + cells.count("▱") == pytest.approx(BAND_CELLS, abs=2)
    assert cells.count("▰") / BAND_CELLS == pytest.approx(behind_s / 40, abs=0.05)
    assert "▱▰" not in cells.replace(" ", ""), f"what lies behind is solid, what lies ahead is not: {where}, {ahead_s}"
    assert len(cells.split()) == 2


@pytest.mark.parametrize(
    ("values", "line"),
    [
        ({}, "no reading"),
        ({CPU: 70.0}, f"20.0 K left: {CPU} at 70.0 °C, stops above 90 °C"),
        ({CPU: 70.0, FAN: 510.0}, f"10.0 rpm left: {FAN} at 510.0 rpm, stops below 500 rpm"),
        ({CPU: 92.0, FAN: 510.0}, f"-2.0 K left: {CPU} at 92.0 °C, stops above 90 °C"),
    ],
)
def test_the_margin_is_that_of_the_nearest_bound(values, line):
    progress = after(start(), tick(2.0, values=values))
    assert margin_line(progress) == line
    assert line in plain_line(progress)


COOLANT, ERRORS = "hwmon/board/coolant", "edac/mc0 corrected"
MANY = record(
    plan(
        stage(duration_s=100.0),
        limits=[
            limit(above="90 °C"), limit(minus="coolant-temperature", above="45 K"),
            limit(of=ERRORS, per_hour="0 events"), limit(above="60 °C", share_percent=20.0, then="fail"),
            limit(of=COOLANT, outside=("10 °C", "50 °C"), then="note"),
        ],
    ),
    channels=[
        channel(critical=95.0), channel(COOLANT, Role.COOLANT_TEMPERATURE),
        channel(ERRORS, Role.CORRECTED_MEMORY_ERRORS),
    ],
)  # fmt: skip


@pytest.mark.parametrize(
    ("cpu", "coolant", "errors", "line"),
    [
        (50.0, 44.0, 7.0, f"6.0 K left: {COOLANT} at 44.0 °C, notes outside 10 to 50 °C"),
        (72.0, 30.0, 7.0, f"3.0 K left: {CPU} minus coolant-temperature at 42.0 K, stops above 45 K"),
        (89.0, 45.0, 7.0, f"1.0 K left: {CPU} at 89.0 °C, stops above 90 °C"),
        (50.0, 30.0, 8.0, f"-1 events left: {ERRORS} at 1 events, stops above 0 events in an hour"),
    ],
)
def test_of_different_limits_the_one_with_the_least_share_left_is_named(cpu, coolant, errors, line):
    """A limit of no event at all has nothing left, and is nearest only once it is broken."""
    first = tick(2.0, values={CPU: 50.0, COOLANT: 30.0, ERRORS: 7.0})
    values = {CPU: cpu, COOLANT: coolant, ERRORS: errors}
    assert margin_line(after(start(), *begun(0, 0.0), first, tick(3.0, values=values), of=MANY)) == line


def test_the_share_of_a_stage_is_followed():
    hot = [tick(1.0 + n, n, values={CPU: 70.0, COOLANT: 30.0, ERRORS: 7.0}) for n in range(20)]
    line = margin_line(after(start(), *begun(0, 0.0), *hot, of=MANY))
    assert line == f"1.0 % left: {CPU} at 19.0 %, fails above 60 °C for more than 20 % of a stage"


def test_after_a_stop_it_says_that_the_load_is_gone_and_how_the_bench_cools():
    events = [start(), *begun(0, 1.0), stopped(5.0), over(0, 5.1, complete=False)]
    progress = after(*events, Cooling(at_s=7.0, values={CPU: 71.0, FAN: 60.0}))
    line = f"stopped, the load is gone; the bench cools: {CPU} at 71.0 °C"
    assert plain_line(progress).startswith(line)
    assert line in " ".join(drawn(progress).split())
    assert "no reading" in plain_line(after(*events, Cooling(at_s=7.0, values={})))


def test_where_nothing_is_watched_it_says_so():
    alone = record(plan(temperature="if-available"), channels=[])
    assert "nothing is watched" in drawn(after(start(), of=alone))


def test_checked_rounds_and_wrong_results_of_all_stages_are_summed_once():
    events = [
        start(), *begun(0, 1.0), tick(5.0, workers=(totals(0, rounds=3), totals(1, rounds=4, mismatches=1))),
        tick(6.0, workers=(totals(0, rounds=5), totals(1, rounds=6, mismatches=1))),
    ]  # fmt: skip
    assert (after(*events).rounds, after(*events).mismatches) == (11, 1)
    later = after(*events, over(0, 12.0), *begun(1, 13.0), tick(15.0, in_stage=1, workers=(totals(0, rounds=2),)))
    assert later.rounds == 20 + 20 + 2
    assert "42 rounds · 0 wrong" in plain_line(later)


@pytest.mark.parametrize("width", [60, 80, 140])
def test_what_was_found_is_shown_in_full(width):
    text = "core 1 computed a wrong result in integer (scalar), expected 0x00ff, got 0x00f7, flipped bits 3 [see below]"
    screen = drawn(after(start(), *begun(0, 1.0), found("wrong-result", text=text)), width)
    assert "".join(text.split()) in "".join(screen.split())
    assert max(len(line) for line in screen.splitlines()) <= width


def test_a_whole_run_ends_with_all_of_the_plan_behind():
    progress = after(*clean_run(TWO))
    assert (progress.elapsed_s, progress.remaining_s, progress.stopped) == (40.0, 0.0, False)
    assert band(progress).plain.count("▱") == 0
