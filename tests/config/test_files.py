"""Plans and sheets from files: the shipped ones load, a broken one is refused in one line that a tuner can act on."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakd.config.files import load_plan, load_sheet, refuse_misfits
from soakd.config.shipped import find, shipped
from soakd.errors import EXIT_CONFIG, ConfigError
from soakd.model.plan import Plan, Stage
from soakd.rules.plan_check import misfits

HEAD = 'version = 1\nname = "Trial"\n'
STAGE = '[[stage]]\nname = "A"\nworkload = "integer"\nduration = "10 s"\n'
MEMORY = HEAD + STAGE.replace("integer", "memory")
PLAN = HEAD + STAGE
LIMIT = PLAN + '[[limit]]\nof = "cpu-temperature"\n'
SHEET = HEAD + "[values]\n"
CLOCKS = HEAD + "[clocks]\n"
PULSED = 'pattern = "pulsed"\nperiod = "20 ms"\non = "50 %"\n'
RANDOM = 'pattern = "random"\nshortest = "1 ms"\nlongest = "1 s"\n'


def lasting(written):
    return PLAN.replace('"10 s"', written)


def guard(line):
    return f"{HEAD}[guard]\n{line}\n{STAGE}"


# What is wrong: the file's text, the place, the value as written, what would be right.
BROKEN_PLANS = {
    "key misspelt in a stage": (PLAN + 'patern = "steady"\n', "stage 1: patern", "", "did you mean pattern?"),
    "key misspelt at the top": (
        HEAD + 'coverage_floor = "95 %"\n' + STAGE, "coverage_floor", "", "did you mean coverage-floor?",
    ),
    "key misspelt in a limit": (LIMIT + 'abowe = "90 °C"\n', "limit 1: abowe", "", "did you mean above?"),
    "key misspelt in the guard": (guard('gap_hold = "1 s"'), "guard: gap_hold", "", "did you mean gap-hold?"),
    "key that is like no other": (
        HEAD + "zzz = 1\n" + STAGE, "zzz", "",
        "known here: clock-hold, clock-tolerance, coverage-floor, guard, limit, name, note, stage, version",
    ),
    "the field's name in code": (PLAN + 'duration_s = "8 h"\n', "stage 1: duration_s", "", "did you mean duration?"),
    "key of the second stage": (
        PLAN + STAGE.replace("integer", "interger"), "stage 2: workload", '"interger"',
        'must be "integer", "integer/streams", "integer/wide"',
    ),
    "unit of another dimension": (
        lasting('"10 W"'), "stage 1: duration", '"10 W"', "'W' is not a unit of time; use s, ms, min, h",
    ),
    "no unit": (lasting('"10"'), "stage 1: duration", '"10"', "the unit is missing"),
    "bare whole number": (lasting("10"), "stage 1: duration", "10", 'text with a unit, such as "3 min"'),
    "bare number": (lasting("10.5"), "stage 1: duration", "10.5", 'text with a unit, such as "3 min"'),
    "yes or no for a time": (lasting("true"), "stage 1: duration", "true", 'text with a unit, such as "3 min"'),
    "words for a time": (lasting('"all night"'), "stage 1: duration", '"all night"', "a number and a unit"),
    "negative time": (lasting('"-10 s"'), "stage 1: duration", '"-10 s"', "must lie between 0 s and 720 h"),
    "endless time": (lasting('"9999 h"'), "stage 1: duration", '"9999 h"', "must lie between 0 s and 720 h"),
    "shorter than two rounds": (lasting('"0.5 s"'), "stage 1: duration", '"0.5 s"', "at least 1 s, two rounds"),
    "no time at all": (PLAN.replace('duration = "10 s"\n', ""), "stage 1: duration", "", "required"),
    "temperature difference in °C": (
        guard('temperature-margin = "5 °C"'), "guard: temperature-margin", '"5 °C"', "use K",
    ),
    "share beyond everything": (
        MEMORY + 'memory = "120 %"\n', "stage 1: memory", '"120 %"', "must lie between 0.1 % and 95 %",
    ),
    "memory stage without a share": (MEMORY, "stage 1: memory", "", 'a memory stage needs a share such as "60 %"'),
    "share outside memory": (
        PLAN + 'memory = "60 %"\n', "stage 1: memory", '"60 %"', "only memory and mixed stages have it",
    ),
    "mixed stage without a share": (
        MEMORY.replace("memory", "mixed"), "stage 1: memory", "", 'a mixed stage needs a share such as "60 %"',
    ),
    "walking exchange": (
        PLAN.replace("integer", "exchange") + 'pattern = "walking"\ndwell = "1 s"\n', "stage 1: pattern", '"walking"',
        "have to be loaded together",
    ),
    "a core twice": (PLAN + "cores = [0, 1, 0]\n", "stage 1: cores", "[0, 1, 0]", "each only once"),
    "no core": (PLAN + "cores = []\n", "stage 1: cores", "[]", "at least one core"),
    "core as a word": (PLAN + 'cores = "fast"\n', "stage 1: cores", '"fast"', '"all" or a list of core numbers'),
    "core as text": (PLAN + 'cores = [0, "1"]\n', "stage 1: cores", '[0, "1"]', '"all" or a list of core numbers'),
    "one core without a list": (PLAN + "cores = 3\n", "stage 1: cores", "3", '"all" or a list of core numbers'),
    "core below zero": (PLAN + "cores = [-1]\n", "stage 1: cores", "[-1]", '"all" or a list of core numbers'),
    "no stage": (HEAD, "stage", "", "at least one is needed, under a line of its own, [[stage]]"),
    "empty stage list": (HEAD + "stage = []\n", "stage", "[]", "at least one is needed, under a line of its own"),
    "a key of a table at the top": ('tick = "1 s"\n' + PLAN, "tick", "", "it stands under [guard]"),
    "a key of a stage at the top": (
        'dwell = "5 s"\n' + PLAN, "dwell", "", "no key of this place; it stands under [[stage]]",
    ),
    "one stage as a plain table": (
        HEAD + '[stage]\nname = "A"\n', "stage", '{"name": "A"}', "under a line of its own, [[stage]]",
    ),
    "guard as a list": (PLAN + "[[guard]]\nmismatches = 1\n", "guard", '[{"mismatches": 1}]', "must be a table"),
    "dwell without walking": (PLAN + 'dwell = "5 s"\n', "stage 1: dwell", '"5 s"', 'pattern = "walking"'),
    "walking without dwell": (
        PLAN + 'pattern = "walking"\n', "stage 1: dwell", "", 'a time on each core, such as "10 s"',
    ),
    "dwell under a round": (
        PLAN + 'pattern = "walking"\ndwell = "100 ms"\n', "stage 1: dwell", '"100 ms"', "at least one round, 0.5 s",
    ),
    "unknown pattern": (PLAN + 'pattern = "running"\n', "stage 1: pattern", '"running"', '"pulsed" or "random"'),
    "dwell with pulses": (
        PLAN + PULSED + 'dwell = "5 s"\n', "stage 1: dwell", '"5 s"', 'pattern = "walking" or "stepped" have it',
    ),
    "stepped without dwell": (PLAN + 'pattern = "stepped"\n', "stage 1: dwell", "", "a stepped stage needs a time on"),
    "pulsed without period": (
        PLAN + 'pattern = "pulsed"\non = "50 %"\n', "stage 1: period", "", 'from rise to rise, such as "20 ms"',
    ),
    "pulsed without on": (
        PLAN + 'pattern = "pulsed"\nperiod = "5 ms"\n', "stage 1: on", "", "a share of the period under load, such as",
    ),
    "period without pulses": (PLAN + 'period = "5 ms"\n', "stage 1: period", '"5 ms"', 'pattern = "pulsed" have it'),
    "on without pulses": (PLAN + 'on = "50 %"\n', "stage 1: on", '"50 %"', 'pattern = "pulsed" have it'),
    "period under a millisecond": (
        PLAN + PULSED.replace("20 ms", "0.5 ms"), "stage 1: period", '"0.5 ms"', "must lie between 1 ms and 10 s",
    ),
    "period over ten seconds": (
        PLAN + PULSED.replace("20 ms", "11 s"), "stage 1: period", '"11 s"', "must lie between 1 ms and 10 s",
    ),
    "period longer than the stage": (
        lasting('"5 s"') + PULSED.replace("20 ms", "6 s"), "stage 1: period", '"6 s"', "no whole pulse",
    ),
    "nearly always on": (
        PLAN + PULSED.replace("50 %", "95 %"), "stage 1: on", '"95 %"', "must lie between 10 % and 90 %",
    ),
    "hardly ever on": (PLAN + PULSED.replace("50 %", "5 %"), "stage 1: on", '"5 %"', "must lie between 10 % and 90 %"),
    "random without bounds": (PLAN + 'pattern = "random"\n', "stage 1: shortest", "", "a random stage needs a bound"),
    "random without a longest": (
        PLAN + 'pattern = "random"\nshortest = "1 ms"\n', "stage 1: longest", "", "a random stage needs a bound",
    ),
    "bounds the wrong way round": (
        PLAN + RANDOM.replace("1 ms", "2 s"), "stage 1: shortest", '"2 s"', "not be longer than `longest`",
    ),
    "interval longer than half of the stage": (
        PLAN + RANDOM.replace('"1 s"', '"6 s"'), "stage 1: longest", '"6 s"', "more than half of the stage",
    ),
    "bound of another pattern": (
        PLAN + 'shortest = "5 ms"\n', "stage 1: shortest", '"5 ms"', 'pattern = "random" have it',
    ),
    "seed of another pattern": (PLAN + PULSED + "seed = 4\n", "stage 1: seed", "4", 'pattern = "random" have it'),
    "seed below zero": (PLAN + RANDOM + "seed = -1\n", "stage 1: seed", "-1", "must be at least 0"),
    "seed as text": (PLAN + RANDOM + 'seed = "7"\n', "stage 1: seed", '"7"', "must be a whole number"),
    "unknown workload": (
        PLAN.replace("integer", "floating"), "stage 1: workload", '"floating"', '"integer", "integer/streams", ',
    ),
    "unknown class": (PLAN + 'class = "vector-1024"\n', "stage 1: class", '"vector-1024"', '"vector-256"'),
    "limit above and below": (
        LIMIT + 'above = "90 °C"\nbelow = "5 °C"\n', "limit 1: above", '"90 °C"', "not both; write two limits",
    ),
    "limit without a bound": (LIMIT, "limit 1: above", "", "needs `above` or `below`"),
    "limit in the wrong unit": (
        LIMIT + 'above = "90 K"\n', "limit 1: above", '"90 K"', "not a unit of temperature; use °C",
    ),
    "limit as a bare number": (LIMIT + "above = 90\n", "limit 1: above", "90", "must be text in quotes"),
    "limit on a channel in no unit": (
        PLAN + '[[limit]]\nof = "hwmon/fan"\nbelow = "fast"\n', "limit 1: below", '"fast"', "a number with its unit",
    ),
    "limit on a band with one edge": (
        LIMIT + 'outside = ["90 °C"]\n', "limit 1: outside", '["90 °C"]', "from the lower edge to the upper one",
    ),
    "limit on a band that is no list": (LIMIT + 'outside = "90 °C"\n', "limit 1: outside", '"90 °C"', "must be a list"),
    "limit on a band the wrong way round": (
        LIMIT + 'outside = ["90 °C", "10 °C"]\n', "limit 1: outside", '["90 °C", "10 °C"]',
        "from the lower edge to the upper one",
    ),
    "limit on a rise in no time": (LIMIT + 'rises = "2 K"\n', "limit 1: rises", '"2 K"', "use K/s, K/min, K/h"),
    "limit on a rise over a moment": (
        LIMIT + 'rises = "2 K/s"\nover = "1 s"\n', "limit 1: over", '"1 s"', "must lie between 5 s and 1 h",
    ),
    "limit on a rise and more": (
        LIMIT + 'above = "90 °C"\nrises = "2 K/s"\n', "limit 1: rises", '"2 K/s"', "write two limits",
    ),
    "limit on a difference in °C": (
        LIMIT + 'minus = "coolant-temperature"\nabove = "40 °C"\n', "limit 1: above", '"40 °C"', "use K",
    ),
    "limit on a count of nothing": (
        LIMIT + 'per-hour = "3 events"\n', "limit 1: per-hour", '"3 events"', "roles that count are machine-checks",
    ),
    "limit with an underscore": (LIMIT + 'per_hour = "3 events"\n', "limit 1: per_hour", "", "did you mean per-hour?"),
    "limit on all of the time": (
        LIMIT + 'above = "85 °C"\nshare = "100 %"\n', "limit 1: share", '"100 %"', "must lie between 0.1 % and 99 %",
    ),
    "limit with another consequence": (
        LIMIT + 'above = "85 °C"\nthen = "shout"\n', "limit 1: then", '"shout"', 'must be "stop", "fail" or "note"',
    ),
    "foresight that is silent": (
        guard('foresight = "never"'), "guard: foresight", '"never"', 'must be "note" or "stop"',
    ),
    "a watch without end": (
        guard('cooling-watch = "2 h"'), "guard: cooling-watch", '"2 h"', "must lie between 0 s and 1 h",
    ),
    "limit on nothing": (PLAN + '[[limit]]\nabove = "90 °C"\n', "limit 1: of", "", "required"),
    "tick too small": (guard('tick = "10 ms"'), "guard: tick", '"10 ms"', "must lie between 0.1 s and 10 s"),
    "negative swap": (guard('swap = "-1 MiB"'), "guard: swap", '"-1 MiB"', "must lie between 0 B and"),
    "zero wrong results allowed": (guard("mismatches = 0"), "guard: mismatches", "0", "must be at least 1"),
    "half a wrong result": (guard("mismatches = 1.5"), "guard: mismatches", "1.5", "must be a whole number"),
    "unknown temperature rule": (
        guard('temperature = "maybe"'), "guard: temperature", '"maybe"', 'must be "required" or "if-available"',
    ),
    "file of a later version": (PLAN.replace("1", "2", 1), "version", "2", "reads files with version = 1"),
    "version as text": (PLAN.replace("1", '"1"', 1), "version", '"1"', "reads files with version = 1"),
    "no version": (PLAN.replace("version = 1\n", ""), "version", "", "required"),
    "name of another type": (PLAN.replace('"Trial"', "7"), "name", "7", "must be text in quotes"),
    "empty name": (PLAN.replace('"Trial"', '""'), "name", '""', "must not be empty"),
}  # fmt: skip

BROKEN_SHEETS = {
    "a value of several": (SHEET + '"ratios [P]" = [51, 49]\n', "values: ratios [P]", "[51, 49]", "must be text"),
    "a key without quotes": (SHEET + "core.voltage = 1\n", "values: core", '{"voltage": 1}', "must be text"),
    "a number with an unknown unit": (SHEET + 'v = "5 mw"\n', "values: v", '"5 mw"', "did you mean mW?"),
    "a number without a unit": (SHEET + 'v = "1200"\n', "values: v", '"1200"', "write a plain count without quotes"),
    "words that begin with a digit": (
        SHEET + 'v = "2x16 GiB"\n', "values: v", '"2x16 GiB"', "text that begins with a digit is a quantity in %",
    ),
    "no number": (SHEET + "v = nan\n", "values: v", "NaN", "a finite number"),
    "a number that JSON cannot hold": (
        SHEET + "v = 9007199254740993\n", "values: v", "9007199254740993", "write it as text",
    ),
    "a setting outside its place": (
        HEAD + 'ratio = "1 x"\n', "ratio", "", "what has no place of its own stands under [values]",
    ),
    "a plan where a sheet belongs": (
        PLAN, "stage", "",
        "known here: cache, clocks, cooling, limits, makers-limits, memory, name, note, parent, processor, values",
    ),
    "a limit twice": (
        CLOCKS + "limits = [{active-cores = 2, ratio = 50}, {active-cores = 2, ratio = 51}]\n", "clocks: limits",
        '[{"active-cores": 2, "ratio": 50}, {"active-cores": 2, "ratio": 51}]',
        "active-cores = 2 stands there twice; keep one of the two entries",
    ),
    "a ceiling twice": (
        CLOCKS + "cores = [{core = 2, ratio = 50}, {core = 2, ratio = 50}]\n", "clocks: cores",
        '[{"core": 2, "ratio": 50}, {"core": 2, "ratio": 50}]', "core = 2 stands there twice",
    ),
    "a width twice": (
        CLOCKS + "vector = [{width = 256, below = 2}, {width = 256, below = 3}]\n", "clocks: vector",
        '[{"width": 256, "below": 2}, {"width": 256, "below": 3}]', "width = 256 stands there twice",
    ),
    "a step twice": (
        CLOCKS + 'steps-down = [{at = "90 °C", by = 1}, {at = "90.0 °C", by = 2, active-cores = 1}]\n',
        "clocks: steps-down", '[{"at": "90 °C", "by": 1}, {"at": "90.0 °C", "by": 2, "active-cores": 1}]',
        "at = 90 °C with active-cores = 1 stands there twice",
    ),
    "a point of the curve twice": (
        HEAD + '[voltages]\ncurve = [{ratio = 8, voltage = "0.7 V"}, {ratio = 8.0, voltage = "0.8 V"}]\n',
        "voltages: curve", '[{"ratio": 8, "voltage": "0.7 V"}, {"ratio": 8.0, "voltage": "0.8 V"}]',
        "ratio = 8 stands there twice",
    ),
    "a core on twice": (
        HEAD + "[processor]\ncores-on = [0, 1, 0]\n", "processor: cores-on", "[0, 1, 0]", "name each only once",
    ),
    "no core on": (HEAD + "[processor]\ncores-on = []\n", "processor: cores-on", "[]", "must hold at least one"),
    "a name in two spellings": (
        HEAD + '[memory.timings]\nCL = "30 cycles"\n"cl " = "32 cycles"\n', "memory: timings",
        '{"CL": "30 cycles", "cl ": "32 cycles"}', "'CL' and 'cl ' are one name; keep one of the two",
    ),
    "a ratio between the steps": (
        CLOCKS + "limits = [{active-cores = 2, ratio = 50.1}]\n", "clocks: limits 1: ratio", "50.1",
        "a ratio goes in steps of 0.25",
    ),
    "a ratio as text": (CLOCKS + 'lowest-ratio = "8"\n', "clocks: lowest-ratio", '"8"', "must be a number"),
    "a ratio that is true": (CLOCKS + "lowest-ratio = true\n", "clocks: lowest-ratio", "true", "must be a number"),
    "a ratio below one": (CLOCKS + "lowest-ratio = 0.5\n", "clocks: lowest-ratio", "0.5", "must be at least 1"),
    "half a core": (
        CLOCKS + "cores = [{core = 0.5, ratio = 50}]\n", "clocks: cores 1: core", "0.5", "must be a whole number",
    ),
    "a core beyond all": (
        CLOCKS + "cores = [{core = 4096, ratio = 50}]\n", "clocks: cores 1: core", "4096", "must be less than 4096",
    ),
    "no such width": (
        CLOCKS + "vector = [{width = 64, below = 1}]\n", "clocks: vector 1: width", "64", "must be 128, 256 or 512",
    ),
    "an entry without its ratio": (
        CLOCKS + "limits = [{active-cores = 2}]\n", "clocks: limits 1: ratio", "", "this key is required",
    ),
    "one entry without a list": (
        CLOCKS + "limits = {active-cores = 2, ratio = 50}\n", "clocks: limits", '{"active-cores": 2, "ratio": 50}',
        "must be a list",
    ),
    "a key of another table": (
        HEAD + '[limits]\nreference = "100 MHz"\n', "limits: reference", "",
        "no key of this place; it stands under [clocks]",
    ),
    "a step that raises the ratio": (
        CLOCKS + 'steps-down = [{at = "85 °C", by = -1}]\n', "clocks: steps-down 1: by", "-1", "must be at least 0",
    ),
    "an offset of the whole curve in volts where millivolts are meant": (
        HEAD + '[voltages]\noffset = "-30 V"\n', "voltages: offset", '"-30 V"', "must lie between -0.5 V and 0.5 V",
    ),
    "a timing as a bare number": (
        HEAD + "[memory.timings]\nCL = 36\n", "memory: timings: CL", "36",
        'a timing is text with a unit, such as "36 cycles"',
    ),
    "a voltage as a bare number": (
        HEAD + "[voltages.top]\nratio = 50\nvoltage = 1.3\n", "voltages: top: voltage", "1.3",
        'a voltage is text with a unit, such as "1.25 V"',
    ),
    "a voltage that none can mean": (
        HEAD + '[voltages.top]\nratio = 50\nvoltage = "1300 V"\n', "voltages: top: voltage", '"1300 V"',
        "must lie between 0.1 V and 3 V",
    ),
    "a reference clock in another unit": (
        CLOCKS + 'reference = "100 W"\n', "clocks: reference", '"100 W"', "not a unit of frequency; use MHz, GHz, kHz",
    ),
    "a timing in between": (
        HEAD + '[memory.timings]\nCL = "30.5 cycles"\n', "memory: timings: CL", '"30.5 cycles"',
        "a timing is a whole number of cycles",
    ),
    "a key misspelt in a table": (CLOCKS + "refrence = 1\n", "clocks: refrence", "", "did you mean reference?"),
    "a key misspelt in an entry": (
        HEAD + '[voltages]\ncurve = [{ratio = 8, voltage = "0.7 V", offest = "0 V"}]\n',
        "voltages: curve 1: offest", "", "did you mean offset?",
    ),
    "a value without a name": (SHEET + '" " = 3\n', "values", '{" ": 3}', "a name is missing"),
    "words where yes or no belongs": (
        HEAD + '[memory]\nprofile-loaded = "yes"\n', "memory: profile-loaded", '"yes"', "must be true or false",
    ),
    "a name of nothing": (HEAD.replace('"Trial"', '"  "'), "name", '"  "', "must not be empty"),
    "values misspelt": (HEAD + "[value]\nv = 1\n", "value", "", "did you mean values?"),
    "values that are no table": (HEAD + "values = 3\n", "values", "3", "must be a table"),
}  # fmt: skip


def refusal(load, path):
    with pytest.raises(ConfigError) as refused:
        load(path)
    assert refused.value.exit_code == EXIT_CONFIG == 78
    assert "\n" not in str(refused.value)
    return refused.value


def check_refusal(load, path, case):
    text, key, value, wanted = case
    path.write_text(text, encoding="utf-8")
    error = refusal(load, path)
    assert (error.file, error.key, error.value) == (str(path), key, value)
    assert wanted in error.wanted
    assert " more)" not in error.wanted, "one mistake is counted once"
    assert str(error) == f"{path}: {key}{f' = {value}' if value else ''}: {error.wanted}"


@pytest.mark.parametrize("name", BROKEN_PLANS)
def test_a_broken_plan_is_refused_naming_file_key_value_and_what_would_be_right(name, tmp_path):
    check_refusal(load_plan, tmp_path / "tonight.toml", BROKEN_PLANS[name])


@pytest.mark.parametrize("name", BROKEN_SHEETS)
def test_a_broken_sheet_is_refused_naming_file_key_value_and_what_would_be_right(name, tmp_path):
    check_refusal(load_sheet, tmp_path / "tonight.toml", BROKEN_SHEETS[name])


@pytest.mark.parametrize(
    ("content", "wanted"),
    [
        (b"\xff\xfenight", "the file is not UTF-8 text"),
        (b"version = \n", "not TOML: Invalid value (at line 1"),
        (b"version = 1\nversion = 1\n", "not TOML: Cannot overwrite a value (at line 2"),
        (None, "no such file or directory"),
    ],
)
def test_a_file_that_cannot_be_read_is_refused_naming_it(content, wanted, tmp_path):
    path = tmp_path / "tonight.toml"
    if content is not None:
        path.write_bytes(content)
    error = refusal(load_plan, path)
    assert str(error).startswith(f"{path}: {wanted}")


def test_a_folder_is_no_plan(tmp_path):
    assert "is a directory" in str(refusal(load_plan, tmp_path))


def test_a_sheet_is_no_plan(tmp_path):
    path = tmp_path / "tonight.toml"
    path.write_text(SHEET + "ratio = 47\n", encoding="utf-8")
    assert "values: unknown key; known here: clock-hold, clock-tolerance, coverage-floor, guard, limit" in str(
        refusal(load_plan, path)
    )


def test_only_the_file_format_s_own_keys_count(tmp_path):
    path = tmp_path / "tonight.toml"
    path.write_text(PLAN.replace("duration", "duration_s"), encoding="utf-8")
    assert "stage 1: duration_s: unknown key; did you mean duration? (and 1 more)" in str(refusal(load_plan, path))


def test_several_mistakes_are_counted_and_the_first_is_named(tmp_path):
    path = tmp_path / "tonight.toml"
    path.write_text(lasting("10").replace("integer", "float") + "cores = []\n", encoding="utf-8")
    assert str(refusal(load_plan, path)).endswith("(and 1 more)")


@pytest.fixture(scope="session")
def one_path(tmp_path_factory):
    """One file for all the examples of a property."""
    return tmp_path_factory.mktemp("examples") / "tonight.toml"


@given(text=st.text(max_size=200))
def test_no_text_whatever_ends_in_anything_but_a_refusal(text, one_path):
    """No short text is a plan by chance."""
    path = one_path
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    with pytest.raises(ConfigError):
        load_plan(path)


VALUES = st.one_of(
    st.sampled_from(
        ["1", "-1", "1.5", "true", "nan", "inf", "[]", "[1]", "{}", "{a = 1}", "2026-01-01", '""', '"all"']
    ),
    st.sampled_from(['"3 s"', '"-3 s"', '"3 K"', '"3"', '"x"', "[[]]", '["a"]', "12:00:00", "1e400"]),
)


@given(
    key=st.sampled_from(sorted(f.alias or n for n, f in Stage.model_fields.items())),
    value=VALUES,
    load=st.sampled_from([load_plan, load_sheet]),
)
def test_no_value_of_any_key_ends_in_anything_but_a_plan_or_a_refusal_that_names_the_file(key, value, load, one_path):
    path = one_path
    fields = {"name": '"A"', "workload": '"integer"', "duration": '"10 s"', key: value}
    path.write_text(HEAD + "[[stage]]\n" + "".join(f"{k} = {v}\n" for k, v in fields.items()), encoding="utf-8")
    try:
        assert isinstance(load(path), Plan)
    except ConfigError as error:
        assert str(error).startswith(str(path))  # noqa: PT017 - either end is right


@pytest.mark.parametrize("name", ["evening", "overnight", "three-minutes"])
def test_the_shipped_plans_load_and_each_says_what_it_is_for(name):
    path = shipped("plans")[name]
    assert load_plan(path).duration_s >= 180
    assert path.read_text(encoding="utf-8").startswith("# ")


def test_every_shipped_file_loads():
    plans = [load_plan(path) for path in shipped("plans").values()]
    sheets = [load_sheet(path) for path in shipped("sheets").values()]
    assert len(plans) >= 3
    assert sheets


def test_a_night_is_never_run_without_a_processor_temperature():
    """The long plans that are shipped require it and set a limit of their own."""
    for name in ("evening", "overnight"):
        plan = load_plan(shipped("plans")[name])
        assert plan.guard.temperature == "required"
        assert [limit.of for limit in plan.limits] == ["cpu-temperature"]


def test_the_shipped_sheet_s_quantities_stand_in_base_units():
    sheet = load_sheet(shipped("sheets")["lantern"])
    assert sheet.voltages.curve[-1].offset_v == -0.035
    assert sheet.voltages.load_line_mohm == 0.9
    assert sheet.memory.data_rate_mts == 6000.0
    assert [entry.ratio for entry in sheet.clocks.limits] == [51.0, 50.0, 48.0]
    assert sheet.memory.profile_loaded is True
    assert sheet.values["coolant at idle"] == "27 °C"


def test_the_shipped_sheets_are_a_tree():
    sheets = {sheet.name: sheet for sheet in map(load_sheet, shipped("sheets").values())}
    assert [sheet.parent for sheet in sheets.values() if sheet.parent] == ["Lantern, trial 3"]
    assert "Lantern, trial 3" in sheets


def test_a_plan_is_found_by_its_file_or_by_a_shipped_name(tmp_path):
    path = tmp_path / "evening"
    path.write_text(PLAN, encoding="utf-8")
    assert find(str(path), "plans") == path
    assert find("evening", "plans") == shipped("plans")["evening"]
    with pytest.raises(ConfigError, match=r"not a shipped one \(evening, overnight, three-minutes\)"):
        find("morning", "plans")


CLASSES = {
    "exchange/ring": ["scalar"],
    "vector/large": ["vector-256-fma", "vector-512"],
    "integer/streams": ["scalar"],
    "vector/lanes": ["vector-128", "vector-256"],
    "memory/march": ["scalar"],
}


@pytest.mark.parametrize(
    ("stage", "key", "value", "wanted"),
    [
        ("cores = [0, 7]\n", "stage 1: cores", "7", "no such core may be used here; cores: 0, 1"),
        (
            'class = "vector-512"\n', "stage 1: class", "vector-512",
            "this core cannot run integer in that class; it can: widest, scalar",
        ),
        (
            'pattern = "walking"\ndwell = "6 s"\n', "stage 1: dwell", "6 s",
            "too long for every core to have its turn; at most 5 s in this stage",
        ),
        (
            'pattern = "stepped"\ndwell = "6 s"\n', "stage 1: dwell", "6 s",
            "too long for every core to have its turn; at most 5 s in this stage",
        ),
        (
            'pattern = "walking"\ndwell = "6 s"\ncores = [7]\n', "stage 1: cores", "7",
            "no such core may be used here; cores: 0, 1",
        ),
    ],
)  # fmt: skip
def test_a_plan_that_does_not_fit_the_bench_is_refused_with_what_would_fit(stage, key, value, wanted, tmp_path):
    path = tmp_path / "tonight.toml"
    path.write_text(PLAN + stage, encoding="utf-8")
    with pytest.raises(ConfigError) as refused:
        refuse_misfits(path, misfits(load_plan(path), bench_cores=[0, 1], classes=CLASSES))
    assert str(refused.value) == f"{path}: {key} = {value}: {wanted}"


@pytest.mark.parametrize(
    "stage",
    [
        "", "cores = [1]\n", 'class = "scalar"\n', 'pattern = "walking"\ndwell = "5 s"\n',
        'pattern = "stepped"\ndwell = "5 s"\n', PULSED, RANDOM, RANDOM + "seed = 4294967295\n",
    ],
)  # fmt: skip
def test_a_plan_that_fits_is_not_refused(stage, tmp_path):
    path = tmp_path / "tonight.toml"
    path.write_text(PLAN + stage, encoding="utf-8")
    assert list(misfits(load_plan(path), bench_cores=[0, 1], classes=CLASSES)) == []


def test_a_share_of_memory_for_which_the_caches_could_answer_is_refused_with_the_least_that_is_enough(tmp_path):
    path = tmp_path / "tonight.toml"
    path.write_text(MEMORY + 'memory = "2 %"\n', encoding="utf-8")
    (misfit,) = misfits(load_plan(path), bench_cores=[0, 1], classes=CLASSES, least_memory_percent=2.01)
    assert (misfit.key, misfit.value) == ("memory", "2 %")
    assert misfit.wanted == "for so little the caches could answer; at least 2.1 % of what is available here"
    assert list(misfits(load_plan(path), bench_cores=[0, 1], classes=CLASSES, least_memory_percent=2.0)) == []


def test_turns_that_fill_a_stage_exactly_are_not_refused_for_the_last_binary_digit(tmp_path):
    path = tmp_path / "tonight.toml"
    path.write_text(lasting('"189.6 s"') + 'pattern = "walking"\ndwell = "7.9 s"\n', encoding="utf-8")
    assert 7.9 > 189.6 / 24
    assert list(misfits(load_plan(path), bench_cores=range(24), classes=CLASSES)) == []
    (misfit,) = misfits(load_plan(path), bench_cores=range(25), classes=CLASSES)
    assert misfit.wanted.startswith("too long for every core to have its turn")


def test_an_exchange_needs_two_cores_that_are_loaded_together(tmp_path):
    path = tmp_path / "tonight.toml"
    exchange = PLAN.replace('"integer"', '"exchange/ring"')
    path.write_text(exchange + "cores = [1]\n", encoding="utf-8")
    with pytest.raises(ConfigError) as refused:
        refuse_misfits(path, misfits(load_plan(path), bench_cores=[0, 1], classes=CLASSES))
    assert str(refused.value).endswith("cores = 1: one core has nobody to exchange with; give it two or more")
    path.write_text(exchange + 'pattern = "walking"\ndwell = "5 s"\n', encoding="utf-8")
    with pytest.raises(ConfigError, match=r"pattern.*have to be loaded together"):
        load_plan(path)


def test_large_products_run_in_one_class_per_plan(tmp_path):
    """The library behind them is loaded once."""
    path = tmp_path / "tonight.toml"
    large = PLAN.replace('"integer"', '"vector/large"')
    again = STAGE.replace('"integer"', '"vector/large"')
    path.write_text(f'{large}{again}class = "widest"\n', encoding="utf-8")
    assert list(misfits(load_plan(path), bench_cores=[0, 1], classes=CLASSES)) == []
    path.write_text(f'{large}{again}class = "vector-256-fma"\n', encoding="utf-8")
    (misfit,) = misfits(load_plan(path), bench_cores=[0, 1], classes=CLASSES)
    assert (misfit.stage, misfit.key, misfit.value) == (1, "class", "vector-256-fma")
    assert "an earlier stage has it in vector-512" in misfit.wanted


def test_every_misfit_is_counted(tmp_path):
    path = tmp_path / "tonight.toml"
    path.write_text(PLAN + 'cores = [8, 9]\nclass = "vector-512"\n', encoding="utf-8")
    with pytest.raises(ConfigError, match=r"\(and 2 more\)$"):
        refuse_misfits(path, misfits(load_plan(path), bench_cores=[0, 1], classes=CLASSES))
