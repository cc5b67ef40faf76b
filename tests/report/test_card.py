"""The card: the page's first words as text in a small picture, whatever they are made of; and the same as PNG."""

from __future__ import annotations

import io
import sys
from xml.etree import ElementTree as ET

import pytest
import resvg_py
from PIL import Image
from run_parts import record, sheet, verdict
from test_report import VERDICTS

from soakd.errors import UsageError
from soakd.report.card import COLOURS, card, cut
from soakd.report.glance import glance
from soakd.report.raster import SCALE, png
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


def decoded(picture):
    image = Image.open(io.BytesIO(picture))
    image.load()
    assert image.format == "PNG"
    return image.convert("RGB")


def hexed(pixel):
    return "#{:02x}{:02x}{:02x}".format(*pixel)


@pytest.mark.parametrize("name", ["pass", "fail", "inconclusive"])
def test_as_png_it_is_the_same_drawing_twice_as_large_in_the_outcome_s_colour(name):
    drawing = card(VERDICTS[name], "unsigned")
    image = decoded(png(drawing))
    root = ET.fromstring(drawing)
    assert image.size == (SCALE * int(root.get("width")), SCALE * int(root.get("height")))
    colour = COLOURS[VERDICTS[name].outcome]
    assert {hexed(image.getpixel((8, y))) for y in range(4, image.height - 4)} == {colour}, "the bar on the left"
    word = image.crop((60, 40, 700, 120))
    assert hexed(max(word.getcolors(), key=lambda each: (each[1] != (251, 250, 246), each[0]))[1]) == colour
    assert hexed(image.getpixel((image.width // 2, image.height - 8))) == "#fbfaf6", "paper"


def test_its_letters_come_with_it_and_not_from_the_system(monkeypatch):
    drawing, real = card(VERDICTS["pass"], "unsigned"), resvg_py.svg_to_bytes
    usual = png(drawing)
    monkeypatch.setattr(resvg_py, "svg_to_bytes", lambda **given: real(**given, skip_system_fonts=True))
    bare = decoded(png(drawing))
    assert bare.tobytes() == decoded(usual).tobytes()
    blank = decoded(png(drawing.replace("operating points", "")))
    assert bare.tobytes() != blank.tobytes()


def test_without_its_library_it_says_how_to_get_it(monkeypatch):
    monkeypatch.setitem(sys.modules, "resvg_py", None)
    with pytest.raises(UsageError) as told:
        png("<svg/>")
    assert "soakd[png]" in told.value.hint
