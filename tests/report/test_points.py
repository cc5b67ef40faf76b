"""The grid of operating points: every point is in it, it can be read without colour, and it fits."""

from __future__ import annotations

import io
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from load_parts import bench, clocks, story
from rich.console import Console
from run_parts import plan, stage, verdict

from soakd.model.sheet import StepDown
from soakd.model.verdict import ClockSummary, PointVisit
from soakd.report.points import MARKS, MEANINGS, points_view
from soakd.report.points_html import points_html
from soakd.report.points_text import cell_text, grid_lines
from soakd.report.text import verdict_text
from soakd.report.view import view

STATES = ("covered", "short", "not reached", "faster", "not visited")
GROUPS, WIDTHS = (2, 4, 8, 16), (64, 128, 256, 512)


def visit(core, active, width, state="covered", **changes):
    dwelt_s = 0.0 if state == "not visited" else 600.0
    given = {"core": core, "active": active, "width": width, "step": 0, "state": state, "dwelt_s": dwelt_s, **changes}
    return PointVisit(**given)


def large(state_of=lambda *_: "covered"):
    """16 cores × 4 groups × 4 widths."""
    return [visit(c, a, w, state_of(c, a, w)) for c in range(16) for a in GROUPS for w in WIDTHS]


def odd(core, active, width):
    if (core, active, width) in {(3, 2, 512), (4, 2, 512)}:
        return "not reached"
    if core == 9 and active == 16:
        return "short"
    return "not visited" if (active, width) == (4, 128) else "covered"


def shown(points):
    found = points_view(points)
    assert found is not None
    return found


def test_sixteen_cores_four_groups_and_four_widths_fit_into_a_hundred_columns():
    lines = list(grid_lines(shown(large(odd)), 98))  # a section of the verdict is indented by two
    assert [line.replace("\N{NO-BREAK SPACE}", "_") for line in lines] == [
        "cores        1-2 active          │ 3-4 active          │ 5-8 active          │ 9-16 active",
        "        bits   64  128  256  512 │   64  128  256  512 │   64  128  256  512 │   64  128  256  512",
        "0-2, 5-8,    ■10m ■10m ■10m ■10m │ ■10m ·    ■10m ■10m │ ■10m ■10m ■10m ■10m │ ■10m ■10m ■10m ■10m",
        "10-15",
        "3-4          ■10m ■10m ■10m ▼10m │ ■10m ·    ■10m ■10m │ ■10m ■10m ■10m ■10m │ ■10m ■10m ■10m ■10m",
        "9            ■10m ■10m ■10m ■10m │ ■10m ·    ■10m ■10m │ ■10m ■10m ■10m ■10m │ □10m □10m □10m □10m",
        "",
        "▼_the clock stayed below the allowed one; □_less load than the plan's floor asks for; ■_covered;",
        "·_not visited. Times are those of the core that dwelt least.",
    ]


@settings(max_examples=80, deadline=None)
@given(st.lists(st.sampled_from(STATES), min_size=64, max_size=64), st.integers(40, 140))
def test_every_cell_of_every_core_can_be_read_from_the_lines_at_any_width(states, columns):
    points = [
        visit(core, active, width, states[(core % 4) * 16 + a * 4 + w])
        for core in range(8)
        for a, active in enumerate(GROUPS)
        for w, width in enumerate(WIDTHS)
    ]
    found = shown(points)
    lines = list(grid_lines(found, columns))
    assert max(map(len, lines)) <= columns
    wanted = {(p.core, p.active, p.width): MARKS[p.state] for p in points}
    read = {}
    for row in found.rows:
        members = [n for part in row.cores.split(", ") for n in _numbers(part)]
        cells = iter(row.cells)
        for active in GROUPS:
            for width in WIDTHS:
                mark = next(cells).mark
                read |= {(core, active, width): mark for core in members}
    assert read == wanted
    drawn = "".join(lines)
    assert all(cell_text(cell).rstrip() in drawn for row in found.rows for cell in row.cells)
    assert sum(line.count(mark) for line in lines for mark in MARKS.values()) == (
        sum(len(row.cells) for row in found.rows) + len(found.legend)
    )


def _numbers(part):
    low, _, high = part.partition("-")
    return range(int(low), int(high or low) + 1)


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.0, "■   "), (0.9, "■   "), (1.0, "■ 1s"), (99.9, "■99s"), (100.0, "■ 1m"), (5999.0, "■99m"),
        (6000.0, "■ 1h"), (28_800.0, "■ 8h"), (400_000.0, "■ 4d"), (2_500_000.0, "■28d"),
    ],
)  # fmt: skip
def test_a_cell_is_four_characters_wide_whatever_the_time(seconds, text):
    (row,) = shown([visit(0, 1, 64, dwelt_s=seconds)]).rows
    assert cell_text(row.cells[0]) == text


def test_cores_that_fared_alike_share_a_row_with_the_time_of_the_one_that_dwelt_least():
    found = shown([visit(0, 1, 64, dwelt_s=50.0), visit(1, 1, 64, dwelt_s=40.0), visit(2, 1, 64, "short")])
    assert [(row.cores, row.cells[0].dwelt_s) for row in found.rows] == [("0-1", 40.0), ("2", 600.0)]


def test_a_cell_shows_the_gravest_of_its_steps_and_a_wrong_result_before_all():
    cool, hot = visit(0, 1, 64), visit(0, 1, 64, "not reached", step=1, from_c=80.0)
    assert shown([cool, hot]).rows[0].cells[0].mark == "▼"
    assert shown([cool.model_copy(update={"errors": 1}), hot]).rows[0].cells[0].mark == "✗"
    unvisited = visit(0, 1, 64, "not visited", step=1, from_c=80.0)
    found = shown([cool, unvisited])
    assert (found.rows[0].cells[0].mark, found.steps) == ("■", ("from 80 °C: visited nowhere",))
    assert shown([cool, hot]).steps == ("from 80 °C: visited at 1 of 1 points",)


def test_the_count_names_every_state_that_is_not_covered():
    points = [visit(n, 1, 64, state) for n, state in enumerate([*STATES, "covered"])]
    assert shown(points).counts == "2 of 6 covered, 1 not reached, 1 faster, 1 short, 1 not visited"


def test_every_state_has_a_mark_and_a_meaning():
    assert set(MARKS) == set(MEANINGS) == {*STATES, "wrong"}
    assert len(set(MARKS.values())) == len(MARKS)


def test_a_verdict_without_points_shows_no_grid():
    assert points_view([]) is None


HOT = bench(
    plan(stage(duration_s=20.0), stage(pattern="walking", dwell_s=2.0, duration_s=8.0)),
    clocks((1, 52), (2, 50), steps_down=(StepDown(at_c=70.0, by=2),)),
)


def rendered(what, columns=100):
    screen = io.StringIO()
    Console(file=screen, width=columns, no_color=True, force_terminal=False, highlight=False).print(what)
    return screen.getvalue()


def test_a_pass_says_in_its_first_lines_what_it_covers():
    passed = verdict(HOT, list(story(HOT, clock=None)))
    lines = rendered(verdict_text(passed)).splitlines()
    assert passed.outcome == "pass"
    assert "it passes only what was covered: 4 of 8 operating points" in lines[:4]
    failed = verdict(HOT, list(story(HOT, clock=4000.0)))
    assert view(failed).scope == ""
    assert "Operating points: 0 of 8 covered, 4 not reached, 4 not visited" in rendered(verdict_text(failed))


def test_points_in_numbers_name_clock_and_dwell_and_what_was_left_out():
    judged = verdict(HOT, list(story(HOT, clock=lambda core, _at_s: 5000.0 if core else 4000.0)))
    flat = " ".join(rendered(verdict_text(judged, points=True), 140).split())
    assert (
        "core 0, 2 active, scalar not reached; 20 s of 20 s planned; 40 rounds, none wrong; "
        "4000 MHz (4000 to 4000), 5000 allowed, 20 s below"
    ) in flat
    assert "core 1, 2 active, scalar covered; 20 s of 20 s planned; 40 rounds, none wrong; 5000 MHz" in flat
    alone = verdict(bench(plan(stage()), clocks((1, 50), (2, 50))), [])
    (left_out, *_) = shown(alone.evidence.points).left_out
    assert "alone" in left_out
    assert f"not visited: {left_out}" in rendered(verdict_text(alone, points=True))
    assert "Each of them" not in rendered(verdict_text(judged))


def test_a_wrong_result_and_an_unseen_clock_are_said_in_the_line_of_their_point():
    seen = ClockSummary(minimum_mhz=5300.0, median_mhz=5310.0, maximum_mhz=5320.0, samples=3)
    fast = visit(0, 1, 64, "faster", clock=seen, allowed_mhz=5000.0, held_s=3.0, above_s=3.0, errors=2, rounds=6)
    (line, other) = shown([fast, visit(1, 1, 64, planned_s=700.0)]).visited
    assert line.facts[1:] == ("6 rounds, 2 WRONG", "5310 MHz (5300 to 5320), 5000 allowed, 3 s above")
    assert other.facts == ("10 min of 11 min 40 s planned", "0 rounds, none wrong", "clock not observed")


class Table(HTMLParser):
    """Elements with their attributes in order, and all text."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.text, self._open = [], [], []
        self.feed(text)
        self.close()
        assert self._open == [], "every element is closed"

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self._open.append(tag)

    def handle_endtag(self, tag):
        assert self._open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)


def test_the_fragment_is_one_table_with_caption_and_scoped_headings():
    table = Table(points_html(shown(large(odd))))
    headings = [attributes for tag, attributes in table.tags if tag == "th"]
    assert all("scope" in attributes for attributes in headings)
    assert [a for a in headings if a["scope"] == "colgroup"] == [{"scope": "colgroup", "colspan": "4"}] * 4
    assert sum(a["scope"] == "col" for a in headings) == 1 + 16
    assert sum(a["scope"] == "row" for a in headings) == 3
    assert sum(tag == "caption" for tag, _ in table.tags) == 1
    assert sum(tag == "td" for tag, _ in table.tags) == 3 * 16
    assert not [attributes for _, attributes in table.tags if "style" in attributes]


def test_a_cell_says_in_words_what_its_mark_means():
    fragment = points_html(shown([visit(0, 1, 64, "not reached")]))
    assert (
        '<td class="not-reached"><span aria-hidden="true">▼</span> '
        '<span class="words">the clock stayed below the allowed one</span> 10 min</td>'
    ) in fragment


def test_whatever_a_text_holds_it_stays_text():
    nasty = '<script>alert("&")</script>'
    found = shown([visit(0, 1, 64)])
    view_of = replace(
        found, counts=nasty, groups=(nasty,), steps=(nasty,), rows=(replace(found.rows[0], cores=nasty),)
    )  # fmt: skip
    table = Table(points_html(view_of))
    assert "script" not in {tag for tag, _ in table.tags}
    assert "".join(table.text).count(nasty) == 4


def test_steps_down_are_listed_below_the_table():
    fragment = points_html(shown([visit(0, 1, 64), visit(0, 1, 64, "not visited", step=1, from_c=80.0)]))
    assert "<li>from 80 °C: visited nowhere</li>" in fragment
    assert "Steps down" not in points_html(shown([visit(0, 1, 64)]))
