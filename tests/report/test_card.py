"""The card: the page's first words as text in a small picture, whatever they are made of."""

from __future__ import annotations

from xml.etree import ElementTree as ET

import pytest
from run_parts import record, sheet, verdict
from test_report import VERDICTS

from soakd.report.card import card, cut
from soakd.report.glance import glance
from soakd.report.view import view

TEXT = "{http://www.w3.org/2000/svg}text"
HOSTILE = "</text><script>1</script>&"


def words(picture):
    return [each.text or "" for each in ET.fromstring(picture).iter(TEXT)]


@pytest.mark.parametrize("name", VERDICTS)
def test_it_says_what_the_page_says_first(name):
    judged = VERDICTS[name]
    said = words(card(judged, "unsigned"))
    whole = " ".join(" ".join(said).split())
    assert said[0].startswith(judged.outcome.upper())
    assert (" (a drill)" in said[0]) == judged.drill
    rows = list(glance(judged, view(judged)))
    assert rows
    for key, value in rows:
        assert f"{key} {value}" in whole
    assert f"{judged.started_utc[:10]} · run {judged.run_id} · settings {judged.fingerprint[:16]}…" in said
    assert "unsigned; evidence of what was visited, no warranty · soakd" in said


def test_the_least_that_was_left_is_that_of_the_nearest_limit():
    rows = dict(glance(VERDICTS["inconclusive"], view(VERDICTS["inconclusive"])))
    assert rows["least left"] == "5.0 K, cpu-temperature: hwmon/k10temp/Tctl stops above 75 °C"


def test_what_people_have_written_stays_text_and_is_cut_with_an_ellipsis():
    judged = verdict(record().model_copy(update={"sheet": sheet(name=HOSTILE)}))
    picture = card(judged, HOSTILE)
    assert "script" not in {each.tag.rpartition("}")[2] for each in ET.fromstring(picture).iter()}
    assert words(picture)[1] == f"Trial · sheet “{HOSTILE}”"
    long = card(verdict(record().model_copy(update={"sheet": sheet(name="a long name " * 9)})), "unsigned")
    title = words(long)[1]
    assert title.endswith(" …")
    assert len(title) <= 44


def test_lines_are_cut_where_there_is_no_room():
    assert list(cut("one two three four", 9, 2)) == ["one two", "three …"]
    assert list(cut("a\u202eb\nc", 20, 1)) == ["a b c"]
    assert list(cut("", 20, 1)) == [""]
