"""`soakd plan` and `soakd sheet expect` as a person types them, on this bench."""

import io
import json
import sys
from contextlib import redirect_stderr, redirect_stdout

import pytest

from soakd.cli.main import main
from soakd.config.files import load_plan
from soakd.config.shipped import shipped

HEAD = 'version = 1\nname = "Trial 2"\n'
SHEET = HEAD + '[clocks]\nreference = "100 MHz"\nlimits = [{ active-cores = 1, ratio = 50 }]\n'
ANYWHERE = HEAD + '[guard]\ntemperature = "if-available"\n'
"""A plan's beginning, for machines that show no processor temperature."""


def stage(workload="integer", duration="10 s", more=""):
    return f'[[stage]]\nname = "A"\nworkload = "{workload}"\nduration = "{duration}"\n{more}'


def typed(*words):
    """Exit code, standard output, standard error."""
    out, err = io.StringIO(), io.StringIO()
    with pytest.MonkeyPatch.context() as patch, redirect_stdout(out), redirect_stderr(err):
        patch.setattr(sys, "argv", ["soakd", *map(str, words)])
        with pytest.raises(SystemExit) as left:
            main()
    return left.value.code or 0, out.getvalue(), err.getvalue()


@pytest.fixture
def file(tmp_path):
    def write(text, name="tonight.toml"):
        (tmp_path / name).write_text(text, encoding="utf-8")
        return tmp_path / name

    return write


def test_a_drafted_plan_fits_this_bench_and_leaves_nothing_out(tmp_path, file):
    sheet, path = file(SHEET, "sheet.toml"), tmp_path / "tonight.toml"
    code, out, _ = typed("plan", "draft", "--sheet", sheet, "--hours", 1, path)
    assert code == 0
    assert "Shown by a run without one error, at 95 % confidence" in out
    plan = load_plan(path)
    assert 0.95 * 3600 <= plan.duration_s <= 3600
    assert path.read_text(encoding="utf-8").startswith("# ")
    anywhere = file(path.read_text(encoding="utf-8").replace('"required"', '"if-available"'), "anywhere.toml")
    code, out, err = typed("plan", "check", anywhere, "--sheet", sheet)
    assert (code, "Left out" in out) == (0, False), err
    code, out, _ = typed("plan", "check", anywhere, "--sheet", sheet, "--json")
    document = json.loads(out)
    assert (code, document["complete"]) == (0, True)
    assert {point["planned_s"] > 0 for point in document["points"]} == {True}


def test_without_a_file_the_plan_goes_to_standard_output_and_the_rest_to_standard_error(tmp_path, file):
    sheet = file(SHEET, "sheet.toml")
    code, out, err = typed("plan", "draft", "--sheet", sheet, "--hours", 1, "--confidence", "90 %")
    assert code == 0
    assert load_plan(file(out)).name == "Trial 2: 1 h"
    assert "Shown by a run without one error, at 90 % confidence" in err
    code, out, _ = typed("plan", "draft", "--sheet", sheet, "--hours", 1, "--json")
    document = json.loads(out)
    assert document["plan"]["name"] == "Trial 2: 1 h"
    assert document["complete"] is True


def test_a_draft_overwrites_nothing(file):
    path = file("precious")
    code, _, err = typed("plan", "draft", "--sheet", file(SHEET, "sheet.toml"), "--hours", 1, path)
    assert code == 2
    assert err == f"soakd: {path} is there already\n  hint: give a name that is free; nothing is overwritten\n"
    assert path.read_text(encoding="utf-8") == "precious"


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("--hours", 0.02), 2, "is too short to visit every point of this sheet on this bench"),
        (("--hours", 1, "--confidence", "99.999 %"), 2, "--confidence 99.999 %: must lie between 50 % and 99.99 %"),
        (("--hours", 1, "--confidence", "95"), 2, "--confidence 95: the unit is missing"),
    ],
)
def test_a_draft_that_cannot_be_is_refused_in_one_line(words, code, said, file):
    got, out, err = typed("plan", "draft", "--sheet", file(SHEET, "sheet.toml"), *words)
    assert (got, out) == (code, "")
    assert said in err
    assert len(err.splitlines()) <= 2


def test_a_sheet_that_does_not_fit_this_bench_gets_no_plan(file):
    sheet = file(SHEET + "[processor]\ncores = 4000\n", "sheet.toml")
    for words in (("draft", "--hours", 1), ("check", file(ANYWHERE + stage()))):
        code, out, err = typed("plan", *words, "--sheet", sheet)
        assert (code, out) == (78, "")
        assert "processor: cores = 4000" in err


def test_what_a_plan_leaves_out_is_told_and_counts(file):
    sheet = file(SHEET + "[[clocks.vector]]\nwidth = 128\nbelow = 1\n", "sheet.toml")
    plan = file(ANYWHERE + stage())
    code, out, _ = typed("plan", "check", plan, "--sheet", sheet)
    assert code == 10
    assert "at 128 bits" in out[out.index("Left out") : out.index("Shown by")]
    code, out, _ = typed("plan", "check", plan, "--sheet", sheet, "--json")
    assert (code, json.loads(out)["complete"]) == (10, False)


def test_without_a_sheet_only_the_bench_is_asked(file):
    code, out, _ = typed("plan", "check", file(ANYWHERE + stage()))
    assert (code, out) == (0, "Trial 2 fits this bench; with --sheet, the points that it visits are listed\n")
    assert typed("plan", "check", "three-minutes")[0] == 0
    document = json.loads(typed("plan", "check", "three-minutes", "--json")[1])
    assert document["duration_s"] == load_plan(shipped("plans")["three-minutes"]).duration_s


BROKEN = {
    "key misspelt": (stage(more='patern = "steady"\n'), "stage 1: patern: unknown key; did you mean pattern?"),
    "bare number": (stage().replace('"10 s"', "10"), 'stage 1: duration = 10: a time is text with a unit, such as "3'),
    "wrong unit": (stage(duration="10 W"), "'W' is not a unit of time; use s, ms, min, h"),
    "unknown workload": (stage("floating"), 'stage 1: workload = "floating": must be "integer", "integer/streams", '),
    "walk without a dwell": (
        stage(more='pattern = "walking"\n'),
        'stage 1: dwell: a walking stage needs a time on each core, such as "10 s"',
    ),
    "dwell too long": (
        stage(more='pattern = "walking"\ndwell = "11 s"\n'), "too long for every core to have its turn; at most ",
    ),
    "memory without a share": (stage("memory"), 'stage 1: memory: a memory stage needs a share such as "60 %"'),
    "core that is not here": (stage(more="cores = [4000]\n"), "stage 1: cores = 4000: no such core may be used here; "),
    "exchange alone": (
        stage("exchange", more="cores = [0]\n"),
        "stage 1: cores = 0: one core has nobody to exchange with; give it two",
    ),
    "class of another kind": (
        stage(more='class = "vector-128"\n'),
        "stage 1: class = vector-128: this core cannot run integer in that class; it can: widest, scalar",
    ),
    "limit on nothing here": (
        '[[limit]]\nof = "hwmon/none/fan1"\nbelow = "300 rpm"\n' + stage(),
        "limit on hwmon/none/fan1: this bench has no such role or channel",
    ),
    "limit on what is only recorded": (
        '[[limit]]\nof = "probed-clock"\nbelow = "300 MHz"\n' + stage(),
        "limit on probed-clock: the probed clock is recorded and cannot be limited",
    ),
}  # fmt: skip
"""What is wrong to the plan's text after its head, and what its author is told."""


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_plan_is_refused_with_a_line_that_a_tuner_can_act_on(name, file):
    text, said = BROKEN[name]
    code, out, err = typed("plan", "check", file(ANYWHERE + text))
    assert (code, out) == (78, "")
    assert said in err
    assert len(err.splitlines()) <= 2


def test_what_a_sheet_makes_one_expect():
    code, out, err = typed("sheet", "expect", "lantern", "--current", "150 A", "--temperature", "85 °C")
    assert (code, err) == (0, "")
    assert "Expected at 85 °C" in out
    assert "Voltage over ratio" in out
    assert "\x1b" not in out
    code, out, _ = typed("sheet", "expect", "lantern", "--current", "150 A", "--json")
    rows = json.loads(out)["expected"]
    assert code == 0
    assert (rows[0]["clock_mhz"], rows[0]["set_v"], rows[0]["pins_v"]) == (5100.0, 1.31, pytest.approx(1.175))


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--current", "150 W"), "--current 150 W: 'W' is not a unit of current; use A, mA"),
        (("--current", "9000 A"), "--current 9000 A: must lie between 0 A and 2000 A"),
        (("--temperature", "hot"), "--temperature hot: a temperature is a number and a unit"),
    ],
)
def test_an_expectation_under_nonsense_is_refused_in_one_line(words, said):
    code, out, err = typed("sheet", "expect", "lantern", *words)
    assert (code, out) == (2, "")
    assert said in err
