"""`soakd standing` as a start script meets it."""

import io
import json
import sys
from contextlib import redirect_stderr, redirect_stdout

import pytest
from run_parts import record, verdict
from sheets import sheet_of

from soakd.cli.main import main
from soakd.errors import StoreError
from soakd.rules.fingerprint import fingerprint
from soakd.sensors.snapshot import take_snapshot
from soakd.store.journal import Journal
from soakd.store.ledger import verdict_in
from soakd.store.writer import Writer

LIMITS = "[clocks]\nlimits = [{{ active-cores = 2, ratio = {} }}]\n"


def text(ratio, note=""):
    return f'version = 1\nname = "Trial"\nnote = "{note}"\n' + LIMITS.format(ratio)


def sheet(ratio):
    clocks = {"limits": [{"active-cores": 2, "ratio": ratio}]}
    return sheet_of({"version": 1, "name": "Trial", "clocks": clocks})


@pytest.fixture
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("SOAKD_HOME", str(tmp_path))
    return tmp_path


def typed(*words):
    """Exit code, standard output, standard error."""
    out, err = io.StringIO(), io.StringIO()
    with pytest.MonkeyPatch.context() as patch, redirect_stdout(out), redirect_stderr(err):
        patch.setattr(sys, "argv", ["soakd", "standing", *map(str, words)])
        with pytest.raises(SystemExit) as left:
            main()
    return left.value.code or 0, out.getvalue(), err.getvalue()


def passes(home, *ratios, before=None, outcomes=None):
    """A ledger with one pass, or another outcome, for each ratio, an hour between them, on the bench as it is."""
    shot, writer = before or take_snapshot(), Writer(home / "journal.db")
    journal = Journal(writer)
    for hour, ratio in enumerate(ratios):
        declared = sheet(ratio)
        run = record(run_id=f"run{hour:04d}", sheet=declared, snapshot=shot, fingerprint=fingerprint(declared, shot))
        judged = verdict(run, snapshot_after=shot)
        evidence = judged.evidence.model_copy(update={"finished_utc": f"2026-01-01T{hour:02d}:00:00.000Z"})
        journal.begin(run)
        journal.finish(
            judged.model_copy(
                update={"evidence": evidence, "outcome": (outcomes or {}).get(hour, "pass"), "reasons": ()}
            )
        )
    writer.close()


def test_on_a_new_bench_nothing_has_passed_and_where_it_was_looked_for_is_told(home):
    line = f"nothing has passed on this bench yet: there is no journal at {home}/journal.db\n"
    assert typed() == (10, line, "")
    assert typed("--json") == (10, "null\n", "")
    passes(home)
    assert typed() == (10, "nothing has passed on this bench yet\n", "")


def test_a_pass_that_covers_is_named_with_its_time_and_with_what_it_speaks_of(home):
    passes(home, 50)
    path = home / "sheet.toml"
    path.write_text(text("50.0", note="written another way"), encoding="utf-8")
    for words in ((), ("--sheet", path)):
        code, out, err = typed(*words)
        assert (code, err) == (0, "")
        first, scope = out.splitlines()
        assert first == "covered by the pass of 2026-01-01T00:00Z, run run0000"
        assert scope.endswith(("operating points were covered", "operating points"))
    code, out, _ = typed("--json")
    assert (code, json.loads(out)["covered"]) == (0, True)


def test_what_differs_is_named_against_the_pass_that_is_nearest(home):
    passes(home, 50, 51, before=take_snapshot().model_copy(update={"firmware_version": "1.19"}))
    path = home / "sheet.toml"
    path.write_text(text(50), encoding="utf-8")
    code, out, err = typed("--sheet", path)
    first, *differs = out.splitlines()
    assert (code, err) == (1, "")
    assert first == "not covered; nearest pass: 2026-01-01T00:00Z, run run0000; what differs:"
    (line,) = differs
    assert line.startswith("  firmware version: ")


def test_many_nights_of_one_trial_hide_no_other_trial(home):
    passes(home, 50, *[51] * 22)
    path = home / "sheet.toml"
    path.write_text(text(50), encoding="utf-8")
    assert typed("--sheet", path)[0] == 0
    path.write_text(text(51), encoding="utf-8")
    assert typed("--sheet", path)[1].startswith("covered by the pass of 2026-01-01T22:00Z, run run0022\n")


@pytest.mark.parametrize(
    ("outcomes", "code", "begins"),
    [
        ({1: "fail"}, 1, "not covered; these settings failed since: 2026-01-01T01:00Z, run run0001; why:\n"),
        ({0: "fail"}, 0, "covered by the pass of 2026-01-01T01:00Z, run run0001\n"),
        ({1: "inconclusive"}, 0, "covered by the pass of 2026-01-01T00:00Z, run run0000\n"),
        ({0: "fail", 1: "fail"}, 10, "nothing has passed on this bench yet\n"),
    ],
)
def test_a_pass_counts_until_the_same_settings_fail(home, outcomes, code, begins):
    passes(home, 50, 50, outcomes=outcomes)
    got, out, _ = typed()
    assert (got, out.startswith(begins)) == (code, True), out


def test_a_verdict_that_cannot_be_read_is_named_in_words():
    later = verdict(record()).model_dump(mode="json") | {"outcome": "splendid"}
    with pytest.raises(StoreError, match=r"^the ledger holds a verdict that this soakd cannot read: outcome: "):
        verdict_in(json.dumps(later))
