"""What does not fit in a sheet is found, with the rule that it breaks and one line that a tuner can act on."""

from __future__ import annotations

import copy

import pytest
from hypothesis import given
from run_parts import snapshot
from sheets import documents, sheet_of

from soakd.config.files import load_sheet, refuse_sheet
from soakd.config.shipped import shipped
from soakd.errors import ConfigError
from soakd.model.snapshot import Snapshot
from soakd.rules.sheet_check import check
from soakd.rules.sheet_finding import refusals

SOUND = {
    "version": 1,
    "name": "Trial 2",
    "processor": {"model": "Harbour Six", "cores": 6, "threads": 12},
    "clocks": {
        "reference": "100 MHz",
        "lowest-ratio": 8,
        "limits": [{"active-cores": 2, "ratio": 51}, {"active-cores": 6, "ratio": 48}],
        "cores": [{"core": 1, "ratio": 50}],
        "vector": [{"width": 256, "below": 2}, {"width": 512, "below": 4}],
        "steps-down": [{"at": "85 °C", "by": 1}, {"at": "90 °C", "by": 3}],
    },
    "voltages": {
        "curve": [{"ratio": 8, "voltage": "0.7 V"}, {"ratio": 45, "voltage": "1.2 V", "offset": "-20 mV"}],
        "top": {"ratio": 53, "voltage": "1.3 V"},
    },
    "cache": {"lighter-ratio": 42, "heavier-ratio": 40, "change-at": "80 A"},
    "memory": {"data-rate": "6000 MT/s", "voltages": {"VDD": "1.3 V"}},
    "limits": {
        "sustained-power": "125 W", "short-power": "160 W", "short-time": "28 s", "sustained-current": "110 A",
        "current": "150 A", "throttle-temperature": "95 °C",
    },
    "makers-limits": {
        "core-voltage": "1.4 V", "memory-voltages": {"VDD": "1.35 V"}, "temperature": "100 °C", "current": "200 A",
    },
    "cooling": {"ambient": "22 °C"},
}  # fmt: skip
ABSENT = object()


def changed(*changes):
    """The sound sheet with something else at the end of a way through it."""
    document = copy.deepcopy(SOUND)
    for *way, last, value in changes:
        table = document
        for step in way:
            table = table.setdefault(step, {}) if isinstance(table, dict) else table[step]
        if value is ABSENT:
            del table[last]
        elif isinstance(table, list) and last == len(table):
            table.append(value)
        else:
            table[last] = value
    return document


def at(*way):
    """A change of the clocks."""
    return ("clocks", *way)


# Title: what is changed, and the one finding that it makes: weight, rule, place, line.
BROKEN = {
    "a limit that rises with active cores": (
        [at("limits", 2, {"active-cores": 4, "ratio": 47})],
        "refused", "limits-rise", "clocks, limits, up to 6 active cores: ratio",
        ("more active cores never allow a higher ratio, and up to 4 active cores have 47; lower this one to 47 or "
        "raise that one"),
    ),
    "a ceiling above every limit": (
        [at("cores", 1, {"core": 3, "ratio": 53})],
        "refused", "ceiling-above-limits", "clocks, cores, core 3: ratio",
        ("no number of active cores allows more than 51, so this core can never be there; lower its ceiling to 51 or "
        "raise a limit"),
    ),
    "a limit below the lowest ratio": (
        [at("vector", ABSENT), at("steps-down", ABSENT), at("cores", ABSENT), at("limits", 1, "ratio", 7)],
        "refused", "below-lowest", "clocks, limits, up to 6 active cores: ratio",
        "it lies below the lowest ratio, 8; raise it or lower `lowest-ratio`",
    ),
    "a ceiling below the lowest ratio": (
        [at("vector", ABSENT), at("steps-down", ABSENT), at("cores", 0, "ratio", 7.5)],
        "refused", "below-lowest", "clocks, cores, core 1: ratio",
        "it lies below the lowest ratio, 8; raise it or lower `lowest-ratio`",
    ),
    "a vector ratio below the minimum": (
        [at("vector", 1, "below", 43), at("steps-down", ABSENT)],
        "refused", "vector-below-lowest", "clocks, vector, 512 bits: below",
        "the least ceiling, 50, less 43 is 7, below the lowest ratio, 8; at most 42 can be taken off",
    ),
    "a vector ratio without a ceiling": (
        [at("limits", ABSENT), at("cores", ABSENT), at("steps-down", ABSENT), at("vector", 1, ABSENT)],
        "warned", "vector-without-ceiling", "clocks, vector, 256 bits: below",
        "it lies below a ceiling, and none is declared; add `limits` or `cores`, or leave it out",
    ),
    "wider registers faster than narrower ones": (
        [at("vector", 1, "below", 1)],
        "warned", "vector-order", "clocks, vector, 512 bits: below",
        "wider registers would run faster than those of 256 bits, which are 2 below; look whether the two are swapped",
    ),
    "steps that lower less the hotter it is": (
        [at("steps-down", 1, "by", 0.5)],
        "refused", "steps-out-of-order", "clocks, steps-down, from 90 °C: by",
        ("the ratio is already 1 lower from 85 °C on, and of several steps the largest counts; lower by more than 1 or "
        "leave the step out"),
    ),
    "a step that lowers nothing": (
        [at("steps-down", 0, "by", 0)],
        "refused", "steps-out-of-order", "clocks, steps-down, from 85 °C: by",
        "it lowers nothing; leave the step out or lower by more",
    ),
    "a step at the same temperature for more cores that changes nothing": (
        [at("steps-down", 2, {"at": "90 °C", "by": 3, "active-cores": 4})],
        "refused", "steps-out-of-order", "clocks, steps-down, from 90 °C with 4 active cores or more: by",
        ("the ratio is already 3 lower from 90 °C on, and of several steps the largest counts; lower by more than 3 or "
        "leave the step out"),
    ),
    "a step below the minimum": (
        [at("steps-down", 1, "by", 39)],
        "refused", "step-below-lowest", "clocks, steps-down, from 90 °C: by",
        "the least ratio before it, 46, less 39 is 7, below the lowest ratio, 8; at most 38 can be taken off",
    ),
    "a step above the throttle temperature": (
        [at("steps-down", 1, "at", "97 °C")],
        "refused", "step-above-throttle", "clocks, steps-down, from 97 °C: at",
        ("the processor throttles at 95 °C before it is reached; lower it, raise `throttle-temperature`, or leave the "
        "step out"),
    ),
    "a step below the ambient": (
        [("cooling", "ambient", "85 °C")],
        "warned", "step-below-ambient", "clocks, steps-down, from 85 °C: at",
        "at an ambient of 85 °C it holds from the start; is that meant?",
    ),
    "a curve that falls after its offsets": (
        [("voltages", "curve", 2, {"ratio": 47, "voltage": "1.22 V", "offset": "-45 mV"})],
        "refused", "curve-falls", "voltages, curve, ratio 47: offset",
        ("1.22 V with its offset of -0.045 V is 1.175 V, less than 1.18 V at ratio 45; the curve must not fall: an "
        "offset of -0.04 V or more keeps it level"),
    ),
    "a top below the curve's voltage": (
        [("voltages", "top", "voltage", "1.1 V")],
        "refused", "curve-falls", "voltages, top: voltage",
        "it is less than 1.18 V at ratio 45; the curve must not fall",
    ),
    "a core's own voltage below the curve": (
        [at("cores", 0, "voltage", "1.1 V")],
        "refused", "curve-falls", "clocks, cores, core 1: voltage",
        "it is less than 1.18 V at ratio 45; the curve must not fall",
    ),
    "a top below the curve's last point": (
        [("voltages", "curve", 2, {"ratio": 53, "voltage": "1.25 V"})],
        "refused", "top-below-curve", "voltages, top: ratio",
        "the factory's highest point is at 53 already; the top stands above it: raise its ratio, or leave the top out",
    ),
    "a curve that ends below the highest ratio": (
        [("voltages", "top", ABSENT)],
        "warned", "curve-too-short", "voltages: curve",
        "it ends at ratio 45, and 51 is allowed; above it no voltage can be expected: add the voltage at the top",
    ),
    "a curve that begins above the lowest ratio": (
        [("voltages", "curve", 0, "ratio", 10)],
        "warned", "curve-too-short", "voltages: curve",
        "it begins at ratio 10, and 8 is allowed; below it no voltage can be expected: add a point",
    ),
    "a core voltage above the stated limit": (
        [("voltages", "top", "voltage", "1.42 V")],
        "warned", "above-makers-limit", "voltages, top: voltage",
        "1.42 V is above the maker's limit as this sheet states it, 1.4 V. Whether either is safe is not judged here",
    ),
    "a point above the stated limit once its offset is added": (
        [
            ("voltages", "curve", 1, "offset", "100 mV"), ("voltages", "offset", "-10 mV"), ("voltages", "top", ABSENT),
            ("makers-limits", "core-voltage", "1.28 V"), at("limits", ABSENT), at("cores", 0, "ratio", 45),
        ],
        "warned", "above-makers-limit", "voltages, curve, ratio 45: voltage",
        ("1.29 V, offsets included, is above the maker's limit as this sheet states it, 1.28 V. Whether either is safe "
        "is not judged here"),
    ),
    "a top above the stated limit once the curve's offset is added": (
        [("voltages", "offset", "110 mV")],
        "warned", "above-makers-limit", "voltages, top: voltage",
        ("1.41 V, offsets included, is above the maker's limit as this sheet states it, 1.4 V. Whether either is safe "
        "is not judged here"),
    ),
    "a core's own voltage below the curve, whatever the offset of the whole": (
        [at("cores", 0, "voltage", "1.1 V"), ("voltages", "offset", "-30 mV")],
        "refused", "curve-falls", "clocks, cores, core 1: voltage",
        "it is less than 1.18 V at ratio 45; the curve must not fall",
    ),
    "offsets that leave no voltage": (
        [("voltages", "curve", 0, "voltage", "0.5 V"), ("voltages", "offset", "-450 mV")],
        "refused", "no-voltage-left", "voltages, curve, ratio 8: voltage",
        "its offsets leave 0.05 V of it, and no core runs below 0.1 V; look at their unit",
    ),
    "a memory voltage above the stated limit": (
        [("memory", "voltages", "VDD", "1.36 V"), ("makers-limits", "memory-voltages", {"vdd": "1.35 V"})],
        "warned", "above-makers-limit", "memory, voltages: VDD",
        "1.36 V is above the maker's limit as this sheet states it, 1.35 V. Whether either is safe is not judged here",
    ),
    "a current above the stated limit": (
        [("limits", "current", "201 A")],
        "warned", "above-makers-limit", "limits: current",
        "201 A is above the maker's limit as this sheet states it, 200 A. Whether either is safe is not judged here",
    ),
    "a throttle temperature above the stated limit": (
        [("limits", "throttle-temperature", "101 °C")],
        "warned", "above-makers-limit", "limits: throttle-temperature",
        "101 °C is above the maker's limit as this sheet states it, 100 °C. Whether either is safe is not judged here",
    ),
    "no stated limit of the core voltage": (
        [("makers-limits", "core-voltage", ABSENT)],
        "warned", "makers-limit-unstated", "makers-limits: core-voltage",
        ("no maker's limit is stated, so 1.3 V is held against none; copy it from the maker's document. Whether a "
        "value is safe is not judged here"),
    ),
    "no stated limit of a rail": (
        [("memory", "voltages", "VPP", "1.8 V")],
        "warned", "makers-limit-unstated", "makers-limits: memory-voltages, VPP",
        ("no maker's limit is stated, so 1.8 V is held against none; copy it from the maker's document. Whether a "
        "value is safe is not judged here"),
    ),
    "a heavier cache ratio above the lighter one": (
        [("cache", "heavier-ratio", 43)],
        "refused", "cache-order", "cache: heavier-ratio",
        "heavier load has no higher ratio than lighter load, which has 42; look whether they are swapped",
    ),
    "a heavier cache ratio from nowhere on": (
        [("cache", "change-at", ABSENT)],
        "warned", "cache-change", "cache: heavier-ratio",
        "from which current it holds is not declared; add `change-at`",
    ),
    "a current from which nothing holds": (
        [("cache", "heavier-ratio", ABSENT)],
        "warned", "cache-change", "cache: change-at",
        "what holds from there on is not declared; add `heavier-ratio`",
    ),
    "a cache that changes beyond the current limit": (
        [("cache", "change-at", "151 A")],
        "refused", "cache-change", "cache: change-at",
        "the current is limited to 150 A, so it can never be there; lower it",
    ),
    "a data rate that the reference clock cannot make": (
        [("memory", "data-rate", "5900 MT/s")],
        "refused", "data-rate", "memory: data-rate",
        ("a reference clock of 100 MHz cannot make it: rates are whole multiples of 200 or 266.667 MT/s; nearest: "
        "5866.67 MT/s or 6000 MT/s"),
    ),
    "a data rate of the nominal reference clock": (
        [at("reference", "100.15 MHz")],
        "refused", "data-rate", "memory: data-rate",
        ("a reference clock of 100.15 MHz cannot make it: rates are whole multiples of 200.3 or 267.067 MT/s; nearest: "
        "5875.47 MT/s or 6009 MT/s"),
    ),
    "less power for a moment than for long": (
        [("limits", "short-power", "120 W")],
        "refused", "limit-order", "limits: short-power",
        "the sustained power, 125 W, is higher; the one for a moment is never the lower one",
    ),
    "less current for a moment than for long": (
        [("limits", "current", "100 A")],
        "refused", "limit-order", "limits: current",
        "the sustained current, 110 A, is higher; the one for a moment is never the lower one",
    ),
    "a short time of nothing": (
        [("limits", "short-power", ABSENT)],
        "warned", "short-time-alone", "limits: short-time", "of what is not declared; add `short-power`",
    ),
    "fewer threads than cores": (
        [("processor", "threads", 5)],
        "refused", "fewer-threads-than-cores", "processor: threads", "6 cores have at least one each, so 6 or more",
    ),
    "a ceiling of a core that is not there": (
        [at("cores", 1, {"core": 6, "ratio": 50})],
        "refused", "no-such-core", "clocks, cores, core 6: core",
        "no such core: the processor has 6 by this sheet, counted from 0 to 5",
    ),
    "cores switched on that are not there": (
        [("processor", "cores-on", [0, 1, 2, 3, 4, 6])],
        "refused", "no-such-core", "processor: cores-on",
        "no core 6: the processor has 6 by this sheet, counted from 0 to 5",
    ),
    "a limit for more cores than there are": (
        [at("limits", 1, "active-cores", 8)],
        "refused", "no-such-core", "clocks, limits, up to 8 active cores: active-cores",
        "8 active cores cannot be: the processor has 6 by this sheet",
    ),
    "a step for more cores than are switched on": (
        [
            ("processor", "cores-on", [0, 1, 2]),
            at("limits", 1, "active-cores", 3),
            at("steps-down", 1, "active-cores", 4),
        ],
        "refused", "no-such-core", "clocks, steps-down, from 90 °C with 4 active cores or more: active-cores",
        "4 active cores cannot be: only 3 are switched on",
    ),
    "no limit for all cores": (
        [at("limits", 1, "active-cores", 5)],
        "warned", "limits-incomplete", "clocks: limits",
        "nothing is declared for more than 5 active cores, and 6 can be; add an entry for 6",
    ),
    "a ceiling of a core that is switched off": (
        [("processor", "cores-on", [0, 2, 3, 4, 5]), at("limits", 1, "active-cores", 5)],
        "warned", "core-off", "clocks, cores, core 1: ratio",
        "this core is switched off by `cores-on`, so its ceiling holds nothing; leave it out if that is meant",
    ),
    "a trial made from itself": (
        [("parent", "Trial 2")],
        "refused", "own-parent", "parent", "a trial cannot be made from itself; give this one a name of its own",
    ),
}  # fmt: skip


def told(findings):
    return [(finding.weight, finding.rule, finding.place, finding.text) for finding in findings]


def test_nothing_is_found_in_a_sound_sheet():
    assert check(sheet_of(SOUND)) == []


AT_THE_BOUND = {
    "limits of one height": [at("limits", 1, "ratio", 51)],
    "a ceiling as high as a limit": [at("cores", 0, "ratio", 51)],
    "a limit at the lowest ratio": [at("limits", 1, "ratio", 8), at("vector", ABSENT), at("steps-down", ABSENT)],
    "wide registers down to the lowest ratio": [at("vector", 1, "below", 42), at("steps-down", ABSENT)],
    "a step down to the lowest ratio": [at("steps-down", 1, "by", 38)],
    "a step at the throttle temperature": [at("steps-down", 1, "at", "95 °C")],
    "a step at the maker's temperature": [
        at("steps-down", 1, "at", "100 °C"), ("limits", "throttle-temperature", "100 °C"),
    ],
    "wider registers no lower": [at("vector", 1, "below", 2)],
    "a level curve": [("voltages", "curve", 2, {"ratio": 47, "voltage": "1.22 V", "offset": "-40 mV"})],
    "a top as high as the curve": [("voltages", "top", "voltage", "1.18 V")],
    "a core's own voltage as high as the curve": [at("cores", 0, "voltage", "1.18 V")],
    "a top at the highest ratio": [("voltages", "top", "ratio", 51)],
    "a voltage at the maker's limit": [("voltages", "top", "voltage", "1.4 V")],
    "a voltage at the maker's limit with its offset": [("voltages", "offset", "100 mV")],
    "the least voltage": [("voltages", "curve", 0, "voltage", "0.5 V"), ("voltages", "offset", "-400 mV")],
    "one cache ratio": [("cache", "heavier-ratio", 42)],
    "a cache that changes at the current limit": [("cache", "change-at", "150 A")],
    "one power for ever": [("limits", "short-power", "125 W")],
    "one current for ever": [("limits", "sustained-current", "150 A")],
    "one thread in each core": [("processor", "threads", 6)],
}  # fmt: skip


@pytest.mark.parametrize("title", AT_THE_BOUND)
def test_what_is_just_at_a_bound_is_sound(title):
    assert check(sheet_of(changed(*AT_THE_BOUND[title]))) == []


def test_what_is_not_declared_is_not_found_wrong():
    assert check(sheet_of({"version": 1, "name": "T"})) == []


@pytest.mark.parametrize("title", BROKEN)
def test_one_broken_thing_is_one_finding_with_rule_place_and_line(title):
    changes, *expected = BROKEN[title]
    assert told(check(sheet_of(changed(*changes)))) == [tuple(expected)]


@pytest.mark.parametrize("title", BROKEN)
def test_what_refuses_refuses_a_run_and_what_warns_does_not(title):
    changes, weight, _, place, line = BROKEN[title]
    sheet = sheet_of(changed(*changes))
    if weight == "warned":
        refuse_sheet(sheet, check(sheet))
        return
    with pytest.raises(ConfigError) as refused:
        refuse_sheet(sheet, check(sheet))
    assert (refused.value.file, refused.value.key, refused.value.wanted) == ("sheet Trial 2", place, line)
    assert "\n" not in str(refused.value)


def test_several_mistakes_are_counted_in_the_refusal():
    sheet = sheet_of(changed(("parent", "Trial 2"), ("cache", "heavier-ratio", 43), ("processor", "threads", 5)))
    with pytest.raises(ConfigError, match=r"\(and 2 more\)$"):
        refuse_sheet(sheet, check(sheet))


@given(documents())
def test_random_sheets_that_are_in_order_are_not_refused_and_nothing_in_them_is_called_safe(document):
    found = check(sheet_of(document))
    assert refusals(found) == []
    about_makers = [finding for finding in found if "makers-limit" in finding.rule]
    assert all(finding.text.endswith("safe is not judged here") for finding in about_makers)
    assert not [finding for finding in found if "safe" in finding.text and finding not in about_makers]


def test_the_shipped_sheets_are_sound():
    for path in shipped("sheets").values():
        assert check(load_sheet(path)) == []


# Rates as they are written, on references as they are set (common practice, no source).
@pytest.mark.parametrize(
    ("rate", "reference"),
    [
        ("2133 MT/s", "100 MHz"), ("2666 MT/s", "100 MHz"), ("2667 MT/s", "100 MHz"), ("2933 MT/s", "100 MHz"),
        ("3200 MT/s", "100 MHz"), ("3600 MT/s", "100 MHz"), ("4800 MT/s", "100 MHz"), ("5333 MT/s", "100 MHz"),
        ("5600 MT/s", "100 MHz"), ("6009 MT/s", "100.15 MHz"), ("2133.33333333 MT/s", "100 MHz"),
    ],
)  # fmt: skip
def test_rates_that_a_reference_clock_makes_are_taken_rounded_or_not(rate, reference):
    assert check(sheet_of(changed(("memory", "data-rate", rate), at("reference", reference)))) == []


@pytest.mark.parametrize("rate", ["2132 MT/s", "2668 MT/s", "2700 MT/s", "6001 MT/s", "150 MT/s"])
def test_other_rates_are_not(rate):
    (finding,) = check(sheet_of(changed(("memory", "data-rate", rate))))
    assert finding.rule == "data-rate"


def test_a_rate_without_a_reference_clock_is_not_judged():
    assert check(sheet_of(changed(("memory", "data-rate", "5900 MT/s"), at("reference", ABSENT)))) == []


def bench(cores, **changes):
    """A bench with so many physical cores of two threads each."""
    siblings = [f"{core},{core + cores}" for core in range(cores)]
    whole = snapshot(processor="Maker Harbour Six 3000", logical_cores=2 * cores, **changes).model_dump()
    return Snapshot.model_validate(whole | {"topology": {"siblings": siblings}}, strict=False)


def test_a_sheet_of_this_bench_is_not_contradicted():
    assert check(sheet_of(SOUND), bench(6), channels=()) == []


SHOWN = {
    "fewer cores": (
        bench(4), [],
        [
            ("more-cores-than-bench", "processor: cores",
             "the sheet declares 6, and this bench has 4; is this sheet for another bench?"),
            ("bench-shows-otherwise", "processor: threads", "declared 12, the system shows 8"),
        ],
    ),
    "more cores": (
        bench(8), [],
        [
            ("bench-shows-otherwise", "processor: cores",
             "the sheet declares 6, and this bench has 8; name those that are on under `cores-on`"),
            ("bench-shows-otherwise", "processor: threads", "declared 12, the system shows 16"),
        ],
    ),
    "another processor": (
        bench(6), [("processor", "model", "Harbour Eight")],
        [("bench-shows-otherwise", "processor: model",
          "declared Harbour Eight, the system shows Maker Harbour Six 3000")],
    ),
    "more cores on than there are": (
        bench(4), [("processor", "cores-on", [0, 1, 2, 3, 4])],
        [
            ("more-cores-than-bench", "processor: cores-on",
             "the sheet declares 5, and this bench has 4; is this sheet for another bench?"),
            ("no-such-core", "clocks, limits, up to 6 active cores: active-cores",
             "6 active cores cannot be: only 5 are switched on"),
        ],
    ),
    "counts beyond the bench, none declared": (
        bench(4), [("processor", ABSENT), at("cores", 0, "core", 4)],
        [
            ("more-cores-than-bench", "clocks, cores, core 4: core",
             "no such core: this bench has 4, counted from 0 to 3"),
            ("more-cores-than-bench", "clocks, limits, up to 6 active cores: active-cores",
             "6 active cores cannot be: this bench has 4"),
        ],
    ),
    "another memory rate": (
        bench(6, memory_modules={"A1": {"configured_speed_mt_s": 5600}}), [],
        [("bench-shows-otherwise", "memory: data-rate", "declared 6000 MT/s, the system shows 5600 MT/s")],
    ),
    "another governor": (
        bench(6), [("values", {"Governor": "powersave"})],
        [("bench-shows-otherwise", "values: governor", "declared powersave, the system shows performance")],
    ),
    "a channel that is not there": (
        bench(6), [("cooling", "coolant-channel", "hwmon/loop/Coolant")],
        [("no-such-channel", "cooling: coolant-channel",
          "this bench has no such channel; `soakd sensors list` names them all")],
    ),
}  # fmt: skip


@pytest.mark.parametrize("title", SHOWN)
def test_what_the_bench_shows_otherwise_is_refused(title):
    here, changes, expected = SHOWN[title]
    found = check(sheet_of(changed(*changes)), here, channels={"hwmon/other"})
    assert told(found) == [("refused", *each) for each in expected]


def test_a_rate_in_nominal_words_is_not_contradicted_by_the_firmware_s_table():
    here = bench(6, memory_modules={"A1": {"configured_speed_mt_s": 6000}})
    assert check(sheet_of(changed(("memory", "data-rate", "6009 MT/s"), at("reference", "100.15 MHz"))), here) == []


def test_a_core_that_is_switched_off_is_missed_by_nobody():
    changes = [("processor", "cores-on", [0, 1, 2, 4, 5]), at("limits", 1, "active-cores", 5)]
    assert check(sheet_of(changed(*changes)), bench(5)) == []
