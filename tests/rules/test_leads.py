"""Leads: each from evidence that was built for it, and none where nothing distinguishes the causes."""

from __future__ import annotations

import random
import typing

import pytest
from lead_nights import CORES, NIGHT, channel, load, many, night, wrong
from load_parts import bench, clocks, story
from run_parts import CPU, found, plan, record, stage, verdict
from scipy.stats import binom

from soakd.model.finding import Finding, NearReading
from soakd.model.journal import Throttles
from soakd.model.lead import LeadName
from soakd.model.sheet import PowerLimits
from soakd.model.verdict import ClockSummary, PointVisit, Warmth
from soakd.rules.chances import at_least, chance_text, confidence
from soakd.rules.conditions import places
from soakd.rules.exposure import cells, errors_of
from soakd.rules.lead_words import WORDS
from soakd.rules.leads import leads
from soakd.workloads.memory.places import Places


def only(verdict):
    (lead,) = leads(verdict)
    return lead


def named(verdict):
    return [(lead.confidence, lead.name, lead.beside) for lead in leads(verdict)]


@pytest.mark.parametrize("count", [0, 1, 3, 20])
@pytest.mark.parametrize("share", [0.02, 0.5, 0.97])
def test_chances_are_those_of_the_binomial_distribution(count, share):
    """Against scipy.stats.binom."""
    assert at_least(count, 20, share) == pytest.approx(binom.sf(count - 1, 20, share), rel=1e-9)


def test_a_place_with_all_of_the_load_or_none_of_it():
    assert (at_least(5, 5, 1.0), at_least(1, 5, 0.0)) == (1.0, 0.0)


def test_words_of_confidence_and_of_chance():
    assert [confidence(p) for p in (0.0, 0.001, 0.01, 0.05, 0.051)] == ["strong", "strong", "fair", "weak", None]
    assert [chance_text(p) for p in (0.5, 1 / 34, 1 / 3411, 1 / 2.5e6, 1e-12)] == [
        "1 in 2.0", "1 in 34", "1 in 3,400", "1 in 2.5 million", "less than 1 in a billion",
    ]  # fmt: skip


def test_three_errors_in_two_percent_of_the_load_are_strong_and_one_is_nothing():
    three = only(night(*(wrong(6, core) for core in (1, 4, 7))))
    assert (three.confidence, three.name) == ("strong", "pulses")
    assert "3 of 3 in stages whose load comes and goes, which had 2.0 % of the checked load" in three.evidence[0]
    one = only(night(wrong(6, 1)))
    assert (one.confidence, one.name) == ("open", "not-told-apart")


@pytest.mark.parametrize(
    ("reasons", "right"),
    [
        (many(1, [3], 8, seconds=450.0), "one-core-fast"),
        (many(6, [3], 8, seconds=250.0), "one-core-pulses"),
        (many(5, [3], 8, seconds=600.0), "one-core-exchange"),
        (many(0, [3], 8) + many(2, [3], 4, seconds=450.0), "one-core-wide"),
        (many(0, [3], 6) + many(3, [3], 6) + many(1, [3], 1, seconds=450.0), "one-core-everywhere"),
        (many(1, CORES, 16, seconds=450.0), "fast"),
        (many(0, CORES, 16) + many(2, CORES, 8, seconds=450.0), "wide"),
        (many(5, CORES, 16, seconds=600.0), "exchange"),
        (many(0, CORES, 8) + many(3, CORES, 8) + many(5, CORES, 2, seconds=600.0), "everywhere"),
    ],
)
def test_where_the_errors_are_is_what_is_named(reasons, right):
    lead = only(night(*reasons))
    assert (lead.name, lead.beside) == (right, ())
    assert lead.confidence == ("weak" if right == "everywhere" else "strong")


def test_many_active_cores_in_wide_registers_are_told_from_wide_registers_alone():
    lead = only(night(*many(0, CORES, 30)))
    assert lead.name == "heavy"
    walked = only(night(*many(0, CORES, 24), *many(2, CORES, 6, seconds=450.0)))
    assert walked.name == "wide"


def test_two_cores_may_be_the_ones():
    lead = only(night(*many(1, [2, 6], 10, seconds=450.0)))
    assert lead.name == "one-core-fast"
    assert lead.statement.startswith("Wrong results on cores 2, 6 alone")


def test_a_core_that_dies_of_the_load_counts():
    dead = [Finding(rule="worker-died", weight="fail", text="SIGSEGV", stage=n, core=5, at_s=1.0) for n in (0, 1, 3, 5)]
    assert only(night(*dead)).name == "one-core-everywhere"


WARMING = {55: 600.0, 62: 1800.0, 70: 600.0, 75: 600.0}


def test_errors_only_above_a_temperature():
    """Twelve of them in two stages of one kind, all in the sixth of the load that was at 75 °C."""
    stages = (load("integer", warm=WARMING), load("integer", warm=WARMING))
    hot = [wrong(n % 2, n % 8, 1 + n, kind="integer", at_c=75.0 + n % 3 / 10) for n in range(12)]
    lead = only(night(*hot, stages=stages))
    assert (lead.confidence, lead.name) == ("strong", "hot")
    assert (
        "11 of 11 at 75 °C of the processor or more (the coolest error says so, and is not counted)"
        in (lead.evidence[0])
    )
    assert "which had 16.7 % of the checked load" in lead.evidence[0]
    cool = [wrong(0, n, kind="integer", at_c=55.9) for n in range(3)]
    assert only(night(*hot, *cool, stages=stages)).name == "not-told-apart"


def test_a_temperature_is_no_cause_where_it_was_hotter_and_nothing_erred():
    """From 70 °C on, and in a third of the load 75 °C without any error."""
    stages = (load("integer", warm={55: 2400.0, 70: 600.0, 75: 600.0}),)
    warm = [wrong(0, n % 8, 1 + n, kind="integer", at_c=70.5) for n in range(12)]
    assert only(night(*warm, stages=stages)).name != "hot"


def test_a_temperature_that_only_one_kind_of_load_came_to_is_not_told_from_that_load():
    """All at 72 °C in wide registers, which is somewhat likelier than wide registers at any temperature."""
    stages = (load("vector", warm={60: 1200.0, 72: 2400.0}), load("integer", warm={55: 3600.0}))
    lead = only(night(*(wrong(0, n % 8, 1 + n, kind="vector", at_c=72.0) for n in range(60)), stages=stages))
    assert (lead.confidence, lead.name) == ("open", "hot")
    assert "wide" in lead.beside


def test_a_temperature_that_other_load_came_to_as_well_is_told_from_it():
    stages = (load("vector", warm={60: 3000.0, 72: 600.0}), load("integer", warm={55: 3000.0, 72: 600.0}))
    hot = [wrong(n % 2, n % 8, 1 + n, kind=("vector", "integer")[n % 2], at_c=72.0) for n in range(12)]
    assert named(night(*hot, stages=stages)) == [("strong", "hot", ())]


@pytest.mark.parametrize("unknown", [0, 1])
def test_an_error_without_a_temperature_may_have_been_cool(unknown):
    stages = (load("integer", warm=WARMING),)
    hot = [wrong(0, n % 8, 1 + n, kind="integer", at_c=None if n < unknown else 75.0) for n in range(12)]
    assert (only(night(*hot, stages=stages)).name == "hot") is not unknown


def test_the_last_error_of_a_load_that_it_ended_says_nothing_of_the_temperature():
    """Of four errors the coolest says where it begins, and the last one ended the load: two are left, in a sixth."""
    stages = (load("integer", warm=WARMING),)
    four = [wrong(0, 2 * n, 7000 + n, kind="integer", at_c=75.0) for n in range(4)]
    places_of = {
        ended: [p.inside for p in places(cells(night(*four, stages=stages), four), ended_by_error=ended)]
        for ended in (False, True)
    }
    assert places_of == {False: [3], True: []}


def test_causes_that_one_stage_holds_together_stand_side_by_side():
    """The only wide stage is also the only pulsed one."""
    stages = (load("integer"), load("integer", "walking", mhz=5100.0), load("vector", "pulsed", seconds=600.0))
    lead = only(night(*many(2, CORES, 8, kind="vector", seconds=600.0), stages=stages))
    assert lead.confidence == "open"
    assert {lead.name, *lead.beside} >= {"wide", "pulses"}
    assert lead.statement.startswith("Not told apart: ")
    assert "errors in scalar work" in lead.refuted_by
    assert "errors under steady load" in lead.refuted_by


def test_a_round_counts_once_and_what_was_not_kept_is_said():
    crowd = [wrong(6, 1, 4, where=f"stream {n}") for n in range(8)]
    lead = only(night(*crowd, counted={6: 500}))
    assert lead.name == "not-told-apart"
    assert any("492 wrong results more were counted and not kept one by one" in line for line in lead.evidence)


def memory_words(lanes, *, again, count=8):
    """Told as the memory workload itself tells them."""
    places = Places(0x7F00_0000_0000, 2**30, flushed=True, pagemap="/nowhere")
    for n in range(count):
        expected = 0x5555_5555_5555_5555
        actual = expected ^ 1 << (8 * lanes[n % len(lanes)] + 2 * (n % 4))
        fault = places.fault(64 * n, expected, actual, [expected if again == "right" else actual] * 3)
        yield wrong(4, n % 8, 100 * n + 1, expected=fault.expected, actual=fault.actual, where=fault.where)


def test_memory_errors_in_one_lane_that_stay_wrong():
    lead = only(night(*memory_words([5], again="wrong")))
    assert (lead.confidence, lead.name) == ("strong", "memory-lane")
    text = "\n".join(lead.evidence)
    assert "8 of 8 wrong words in byte lane 5" in text
    assert "from 1 to 0 in 8, more to one side than chance makes it" in text
    assert "read again 8 words were wrong still: it is the cell" in text


def test_memory_errors_in_any_lane_that_heal():
    lead = only(night(*memory_words([0, 1, 2, 3, 4, 5, 6, 7], again="right", count=16)))
    assert (lead.confidence, lead.name) == ("strong", "memory")
    assert any("read again 16 words were right: it is the transfer" in line for line in lead.evidence)


@pytest.mark.parametrize(
    ("at_c", "words"),
    [
        (52.3, "all at 52 °C or more (memory-temperature), which had 10 % of the memory stages' load; by chance: 1 in"),
        (
            44.0,
            "all at 44 °C or more (memory-temperature), which had 100 % of the memory stages' load, as chance has it",
        ),
    ],
)
def test_memory_errors_are_held_against_the_load_at_their_temperatures(at_c, words):
    near = NearReading(channel="dimm", role="memory-temperature", value=at_c, apart_s=0.1)
    hot = [each.model_copy(update={"temperature": near}) for each in memory_words([5], again="right")]
    of_night = night(*hot)
    warmth = Warmth(role="memory-temperature", seconds={44: 3240.0, 52: 360.0})
    stages = tuple(
        each.model_copy(update={"warmth": (warmth,)}) if each.workload == "memory/march" else each
        for each in of_night.evidence.stages
    )
    evidence = of_night.evidence.model_copy(update={"stages": stages})
    lead = only(of_night.model_copy(update={"evidence": evidence}))
    assert any(line.startswith(words) for line in lead.evidence)


def test_one_memory_error_tells_nothing():
    assert named(night(*memory_words([5], again="right", count=1))) == [("open", "not-told-apart", ())]


def test_a_false_alarm_of_a_core_is_no_wrong_word():
    places = Places(0x7F00_0000_0000, 2**30, flushed=True, pagemap="/nowhere")
    alarms = [wrong(4, 3, n + 1, where=places.false_alarm(64 * n).where) for n in range(8)]
    lead = only(night(*alarms))
    assert "0 wrong words" in lead.evidence[0]


DOWN = Finding(rule="machine-went-down", weight="fail", text="went down")


@pytest.mark.parametrize(
    ("last", "read", "right"),
    [
        (load("integer", "walking", state="stopped"), 60.0, "went-down-light"),
        (load("integer", cores=(0, 1), state="stopped"), 60.0, "went-down-light"),
        (load("vector", state="stopped"), 60.0, "went-down-heavy"),
        (load("vector", state="stopped"), 92.0, "went-down-hot"),
        (load("exchange", state="stopped"), 60.0, "went-down"),
    ],
)
def test_a_machine_that_went_down_by_its_load_and_the_mains_are_never_ruled_out(last, read, right):
    of_night = night(DOWN, stages=(last,), channels=[channel(CPU, "cpu-temperature", "°C", last=read)])
    sheet = of_night.sheet.model_copy(update={"limits": PowerLimits(throttle_c=95.0)})
    lead = only(of_night.model_copy(update={"sheet": sheet}))
    assert (lead.confidence, lead.name) == ("open", right)
    assert "mains" in lead.statement
    assert f"{read:.1f} °C at last" in "\n".join(lead.evidence)


def test_a_watchdog_s_word_is_evidence():
    assert "it hung first" in only(night(DOWN, reset_by_watchdog=True)).evidence[-1]


def test_corrected_errors_before_the_first_wrong_result():
    counter = channel("edac/mc0", "corrected-memory-errors", minimum=2.0, maximum=5.0)
    limit = Finding(rule="limit-broken", weight="note", text="corrected", channel="edac/mc0", at_s=40.0)
    told = leads(night(limit, wrong(0, 1, at_s=100.0), channels=[counter]))
    lead = next(lead for lead in told if lead.name == "memory-corrected")
    assert lead.confidence == "seen"
    assert lead.evidence == (
        "edac/mc0 rose from 2 to 5 in the run (its readings)",
        "told 1 min before the first wrong result (findings)",
    )
    still = channel("edac/mc0", "corrected-memory-errors", minimum=2.0, maximum=2.0)
    assert leads(night(channels=[still])) == ()


@pytest.mark.parametrize(
    ("cooling", "right"),
    [
        ({"pump": (2400.0, 0.0)}, ["pump"]),
        ({"fan": (900.0, 100.0)}, ["fans"]),
        ({"pump": (2400.0, 2390.0)}, ["heat"]),
        ({}, ["heat"]),
    ],
)
def test_a_limit_on_heat_by_what_became_of_the_cooling(cooling, right):
    broken = Finding(rule="limit-broken", weight="fail", text="too hot", channel=CPU, at_s=40.0)
    speeds = [channel(f"hwmon/board/{r}", r, "rpm", maximum=most, last=last) for r, (most, last) in cooling.items()]
    of_night = night(broken, channels=[channel(CPU, "cpu-temperature", "°C", maximum=96.0), *speeds])
    assert [lead.name for lead in leads(of_night)] == right


@pytest.mark.parametrize(
    ("last", "from_c", "right"),
    [(430.0, 82.0, ["pump"]), (2380.0, 82.0, ["clock-unknown"]), (430.0, None, ["clock-unknown"])],
)
def test_a_pump_that_fell_is_named_where_a_step_down_by_temperature_cost_the_clock(last, from_c, right):
    low = Finding(rule="settings-not-reached", weight="inconclusive", text="core 0, from 82 °C: too slow", core=0)
    clock = ClockSummary(minimum_mhz=4300.0, median_mhz=4400.0, maximum_mhz=4500.0, samples=9)
    point = PointVisit(
        core=0, active=8, width=512, step=int(from_c is not None), from_c=from_c, state="not reached",
        allowed_mhz=4500.0, clock=clock, held_s=60.0, below_s=60.0,
    )  # fmt: skip
    pump = channel("hwmon/board/pump", "pump", "rpm", maximum=2400.0, last=last)
    assert [lead.name for lead in leads(night(low, channels=[pump], points=(point,)))] == right


def test_heat_that_rises_with_the_load_gone():
    rising = Finding(rule="still-heating", weight="inconclusive", text="went on rising", channel=CPU)
    assert [lead.name for lead in leads(night(rising))] == ["heating-on"]


def test_a_sensor_that_was_lost():
    gone = Finding(rule="required-reading-lost", weight="inconclusive", text=f"{CPU}: no reading", channel=CPU)
    lost = channel(CPU, "cpu-temperature", "°C").model_copy(update={"gap_reasons": {"gone": 9}})
    assert only(night(gone, channels=[lost])).evidence == (f"{CPU}: no reading", "9 ticks: gone (its gaps)")


@pytest.mark.parametrize(
    ("throttled", "right"),
    [
        (Throttles(heat={0: 4}), "clock-heat"),
        (Throttles(power={0: 4}), "clock-power"),
        (Throttles(heat={0: 4}, power={0: 9}), "clock-heat"),
        (None, "clock-unknown"),
    ],
)
def test_a_clock_that_was_not_reached_by_its_cause(throttled, right):
    about = bench(plan(stage(duration_s=60.0)), clocks((1, 51), (2, 51)))
    slow = verdict(about, list(story(about, clock=4600.0)))
    evidence = slow.evidence.model_copy(update={"throttled": throttled})
    assert only(slow.model_copy(update={"evidence": evidence})).name == right


def test_a_reference_clock_that_is_not_the_declared_one():
    about = bench(plan(stage(duration_s=60.0)), clocks((1, 51), (2, 48)))
    slow = verdict(about, list(story(about, clock=4656.0)))
    points = tuple(
        point.model_copy(
            update={
                "state": "not reached",
                "held_s": 60.0,
                "below_s": 60.0,
                "clock": ClockSummary(minimum_mhz=1.0, median_mhz=0.97 * point.allowed_mhz, maximum_mhz=1.0, samples=9),
            }
        )
        for point in slow.evidence.points
    )
    evidence = slow.evidence.model_copy(update={"points": points})
    lead = only(slow.model_copy(update={"evidence": evidence}))
    assert lead.name == "clock-reference"
    assert "off for 60 of 60 s" in lead.evidence[0]
    assert "as if it were 97.00 MHz and not 100.00 MHz" in lead.evidence[1]


def test_a_sound_bench_has_no_lead():
    assert leads(verdict(record())) == ()
    assert leads(night()) == ()


def test_every_lead_has_its_words_and_no_voltage_is_raised_without_the_caution():
    assert set(WORDS) == set(typing.get_args(LeadName))
    for words in WORDS.values():
        assert all(words)
        raised = "more voltage" in words.try_next or "voltages," in words.try_next
        assert not raised or "within the maker's limits" in words.try_next


def test_errors_at_one_rate_everywhere_are_seldom_given_a_place():
    """Of 400 such nights: no more than 5 % by chance with any word, and none called strong (expected: 0.4 at most)."""
    draws = random.Random(11)
    told = []
    weights = [each["seconds"] for each in NIGHT for _ in CORES]
    places = [(n, core) for n in range(len(NIGHT)) for core in CORES]
    for _ in range(400):
        hit = draws.choices(places, weights, k=draws.randint(1, 12))
        lead = only(night(*(wrong(n, core, number + 1) for number, (n, core) in enumerate(hit))))
        told += [] if lead.name in {"not-told-apart", "everywhere"} else [lead.confidence]
    assert len(told) <= 20
    assert "strong" not in told


def test_the_guard_s_own_story_leads_on():
    """From journal events to a lead: the rules read what is really gathered."""
    about = record()
    lost = found("required-reading-lost", "inconclusive", "no reading", channel=CPU)
    assert [lead.name for lead in leads(verdict(about, [lost]))] == ["sensor-lost"]


@pytest.mark.parametrize(("higher_s", "named_too"), [(10.0, True), (3600.0, False)])
def test_a_clock_is_no_cause_where_higher_clocks_had_their_share_of_load_and_no_error(higher_s, named_too):
    """Errors at 4600 MHz; none at 4400 MHz, and none at 4800 MHz either."""
    slow, fast = load(mhz=4400.0, cores=(6, 7)), load(mhz=4800.0, seconds=higher_s)
    reasons = many(0, CORES[:6], 60, kind="integer")
    of_night = night(*reasons, stages=(load(mhz=4600.0, cores=CORES[:6]), slow, fast))
    families = {place.family for place in places(cells(of_night, errors_of(of_night)))}
    assert ("fast" in families) == named_too
