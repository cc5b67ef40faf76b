"""`soakd sheet` as a person types it."""

import io
import json
import sys
from contextlib import redirect_stderr, redirect_stdout

import pytest

from soakd.cli.main import main

HEAD = 'version = 1\nname = "Trial 2"\n'
WARNED = HEAD + '[voltages]\ntop = { ratio = 50, voltage = "1.3 V" }\n'
REFUSED = WARNED + "[cache]\nlighter-ratio = 40\nheavier-ratio = 41\n"


def typed(*words):
    """Exit code, standard output, standard error."""
    out, err = io.StringIO(), io.StringIO()
    with pytest.MonkeyPatch.context() as patch, redirect_stdout(out), redirect_stderr(err):
        patch.setattr(sys, "argv", ["soakd", "sheet", *map(str, words)])
        with pytest.raises(SystemExit) as left:
            main()
    return left.value.code or 0, out.getvalue(), err.getvalue()


@pytest.fixture
def file(tmp_path):
    def write(text, name="mine.toml"):
        (tmp_path / name).write_text(text, encoding="utf-8")
        return tmp_path / name

    return write


def test_a_draft_of_this_bench_is_written_checked_and_fits(tmp_path):
    path = tmp_path / "mine.toml"
    code, out, err = typed("draft", path)
    assert (code, err) == (0, "")
    assert f"{path}: filled in from this bench: " in out
    assert "processor: threads" in out
    code, out, _ = typed("check", path)
    assert (code, out.count("\n")) == (0, 1)
    assert "0 refused, 0 warned" in out
    assert typed("draft")[1] == path.read_text(encoding="utf-8"), "without a file it goes to standard output"


def test_a_draft_overwrites_nothing(file):
    path = file("precious")
    code, out, err = typed("draft", path)
    assert (code, out) == (2, "")
    assert err == f"soakd: {path} is there already\n  hint: give a name that is free; nothing is overwritten\n"
    assert path.read_text(encoding="utf-8") == "precious"
    code, _, err = typed("draft", path / "below")
    assert (code, "Not a directory" in err) == (2, True)


def test_a_draft_for_machines(tmp_path):
    path = tmp_path / "mine.toml"
    drafted = json.loads(typed("draft", path, "--json")[1])
    assert drafted["file"] == str(path)
    assert drafted["text"] == path.read_text(encoding="utf-8")
    assert drafted["filled"]["processor: threads"] > 0
    assert json.loads(typed("draft", "--json")[1]) == {**drafted, "file": None}


def test_what_is_found_is_said_with_its_place_value_and_rule(file):
    code, out, err = typed("check", file(REFUSED))
    assert (code, err) == (78, "")
    assert "refused  cache: heavier-ratio = 41\n    heavier load has no higher ratio" in out
    assert "[cache-order]\n" in out
    assert "warned  makers-limits: core-voltage\n    no maker's limit is stated" in out
    assert out.endswith("Trial 2: 1 refused, 2 warned. Whether a value is safe is not judged here.\n")


def test_warnings_alone_are_no_refusal(file):
    code, out, err = typed("check", file(WARNED))
    assert (code, err) == (0, "")
    assert "0 refused, 1 warned" in out


def test_findings_for_machines(file):
    code, out, _ = typed("check", file(REFUSED), "--json")
    assert code == 78
    found = json.loads(out)
    assert found["sheet"] == "Trial 2"
    assert [each["rule"] for each in found["findings"]] == ["makers-limit-unstated", "cache-order", "cache-change"]
    assert {key for each in found["findings"] for key in each} == {"rule", "weight", "place", "text"}


def test_a_sheet_of_another_bench_is_refused_here_and_can_be_checked_in_itself():
    code, out, _ = typed("check", "lantern")
    assert code == 78
    assert "declared Harbour Six, the system shows" in out
    code, out, _ = typed("check", "lantern", "--elsewhere")
    assert (code, out.startswith("Lantern, trial 4: 0 refused, 0 warned.")) == (0, True)


def test_what_is_no_sheet_is_one_line(file):
    code, out, err = typed("check", file(HEAD + "[clocks]\nrefrence = 1\n"))
    assert (code, out) == (78, "")
    assert err.endswith("mine.toml: clocks: refrence: unknown key; did you mean reference?\n")
    code, _, err = typed("check", "no-such-sheet")
    assert (code, "lantern-trial-3, lantern" in err) == (78, True)


def test_two_trials_are_compared_field_by_field():
    code, out, err = typed("diff", "lantern-trial-3", "lantern")
    assert (code, err) == (1, "")
    assert out.splitlines() == [
        "name Lantern, trial 3 → Lantern, trial 4",
        "clocks, limits, up to 6 active cores: ratio 49 → 48",
        "clocks, cores, core 5: voltage 1.28 V → 1.27 V",
        "clocks, steps-down, from 88 °C with 4 active cores or more: by not declared → 3",
        "voltages, curve, ratio 36: offset -0.02 V → -0.035 V",
        "voltages, curve, ratio 46: offset -0.02 V → -0.035 V",
    ]
    found = json.loads(typed("diff", "lantern-trial-3", "lantern", "--json")[1])
    assert found[1] == {"place": "clocks, limits, up to 6 active cores: ratio", "old": 49.0, "new": 48.0}
    assert found[3]["old"] is None


def test_the_same_in_other_words_is_the_same(file):
    one, other = file(WARNED), file('note = "x"\n' + WARNED.replace("1.3 V", "1300 mV"), "other.toml")
    assert typed("diff", one, other) == (0, "both declare the same\n", "")
    assert typed("diff", one, other, "--json")[:2] == (0, "[]\n")


@pytest.mark.parametrize("command", ["draft", "check", "diff"])
def test_every_command_has_an_example(command):
    code, out, _ = typed(command, "--help")
    assert (code, f"Example: soakd sheet {command}" in out) == (0, True)
