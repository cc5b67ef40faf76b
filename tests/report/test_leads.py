"""Leads in words: caution first, 80 columns, and the same for machines."""

from __future__ import annotations

import io
import json

from lead_nights import CORES, many, night, wrong
from rich.console import Console
from run_parts import record, verdict

from soakd.cli.verdict import _show_leads
from soakd.model.lead import Lead
from soakd.report.leads import CAUTION, NONE, SAYING, leads_json, leads_text
from soakd.report.text import verdict_text
from soakd.rules.leads import leads


def lines_of(shown, width=80):
    out = io.StringIO()
    Console(file=out, width=width).print(shown)
    return out.getvalue().splitlines()


def words(lines):
    return " ".join(" ".join(lines).split())


def test_caution_comes_first_and_every_part_of_a_lead_is_shown():
    of_night = night(*many(6, CORES, 12, seconds=250.0))
    (lead,) = leads(of_night)
    shown = words(lines_of(leads_text(of_night)))
    assert shown.startswith(CAUTION)
    for part in (lead.statement, SAYING[lead.confidence], *lead.evidence, lead.try_next, lead.refuted_by):
        assert part in shown


def test_no_line_is_longer_than_80_columns_on_any_terminal():
    of_night = night(*many(0, CORES, 16), *many(2, CORES, 8, seconds=450.0))
    for width in (80, 200):
        assert max(map(len, lines_of(leads_text(of_night), width))) <= 80
    section = lines_of(verdict_text(of_night), 200)
    start = section.index("Where to look next")
    end = section.index("Stages")
    assert max(len(line.rstrip()) for line in section[start:end]) <= 80
    assert section.index("Reasons") < start


def test_without_a_lead_the_verdict_says_nothing_and_who_asks_is_told():
    sound = verdict(record())
    assert "Where to look next" not in lines_of(verdict_text(sound))
    assert words(lines_of(leads_text(sound))) == NONE
    assert leads_json(sound) == {"run": sound.run_id, "leads": []}


def test_the_command_shows_them_alone(capsys):
    of_night = night(*many(6, CORES, 12, seconds=250.0))
    _show_leads(of_night.model_dump_json(), json_=True)
    assert json.loads(capsys.readouterr().out) == leads_json(of_night)
    _show_leads(of_night.model_dump_json(), json_=False)
    assert words(capsys.readouterr().out.splitlines()).startswith(CAUTION)


def test_the_json_holds_all_of_it():
    of_night = night(wrong(0, 3))
    given = leads_json(of_night)
    assert [
        Lead.model_validate_json(Lead.model_validate(each, strict=False).model_dump_json()) for each in given["leads"]
    ] == list(leads(of_night))
