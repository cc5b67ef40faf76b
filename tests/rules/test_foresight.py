"""The early warning: in time where a limit is coming, once for each approach, and never on what is steady."""

from __future__ import annotations

import itertools
import math
import random

import pytest
from run_parts import CPU

from soakd.model.channels import Role
from soakd.model.limits import Bound
from soakd.rules.foresight import HORIZON_S, MOST_FITS, Foresight

LONG = 900
"""Seconds; `benchmarks/foresight.py` does whole nights, by the hundred."""
COOLANT = "hwmon/board/coolant"


def bound(value=90.0, *, channel=CPU, **changes):
    return Bound(
        **{
            "channel": channel, "role": Role.CPU_TEMPERATURE, "side": "above", "value": value, "unit": "°C",
            "hold_s": 0.0, "origin": "plan", **changes,
        }
    )  # fmt: skip


def white(sigma):
    return lambda draw: (draw.gauss(0.0, sigma) for _ in itertools.count())


def wandering(keep, sigma):
    """Each like the one before: what a fan that hunts, or a room, does."""

    def noise(draw):
        value = 0.0
        while True:
            value = keep * value + draw.gauss(0.0, sigma)
            yield value

    return noise


def restless(draw):
    """Other work comes and goes: 4 K more now and then."""
    more = 0.0
    while True:
        more = 4.0 - more if draw.random() < 0.03 else more
        yield more + draw.gauss(0.0, 0.3)


def saw(draw):
    """A walking load: up for 15 s, down for 15 s, by about 6 K."""
    value = 0.0
    for n in itertools.count():
        value += ((6.0 if n // 15 % 2 else 0.0) - value) / 6.0
        yield value + draw.gauss(0.0, 0.2)


STEADY = {
    "quiet": (white(0.3), 1.2), "noisy": (white(1.0), 4.0), "wandering": (wandering(0.8, 0.3), 2.0),
    "drifting": (wandering(0.95, 0.2), 3.0), "restless": (restless, 5.5), "saw": (saw, 7.0),
}  # fmt: skip
"""Kind of reading to its noise, and about how far that goes by itself."""


def readings(course, noise, seed, *, steps=8, seconds=LONG):
    """One a second, to an eighth of a degree or a whole one."""
    off = noise(random.Random(seed))
    return [(float(t), round((course(t) + next(off)) * steps) / steps) for t in range(seconds)]


def first_warning(rows, of_bound=None, **options):
    """The finding and its moment, or None; readings beyond the limit end the search."""
    each = of_bound or bound()
    foresight = Foresight((each,), **options)
    foresight.stage_begins()
    for at_s, value in rows:
        if value > each.value:
            return None
        foresight.take(at_s, {each.channel: value})
        for finding in foresight.look(at_s):
            return at_s, finding
    return None


@pytest.mark.parametrize("kind", STEADY)
@pytest.mark.parametrize("seed", range(3))
def test_steady_readings_near_the_limit_warn_of_nothing(kind, seed):
    noise, far = STEADY[kind]
    for below_k, steps in ((0.5, 8), (2.0, 1)):
        assert first_warning(readings(lambda _: 80.0, noise, seed, steps=steps), bound(80.0 + far + below_k)) is None


@pytest.mark.parametrize(("settles", "tau"), [(88.0, 30.0), (88.5, 120.0), (88.0, 400.0)])
@pytest.mark.parametrize("seed", range(3))
def test_a_curve_that_settles_below_the_limit_warns_of_nothing(settles, tau, seed):
    rows = readings(lambda t: settles - 45.0 * math.exp(-t / tau), white(0.3), seed, seconds=LONG)
    assert first_warning(rows) is None


def two_steps(t):
    """A die within seconds, its cooler within minutes."""
    return 40.0 + 28.0 * -math.expm1(-t / 1.5) + 25.0 * -math.expm1(-t / 150.0)


def pump_fails(t):
    return 70.0 if t < 600 else 70.0 + 60.0 * -math.expm1(-(t - 600) / 90.0)


@pytest.mark.parametrize(
    ("course", "limit_c", "least_s"),
    [
        pytest.param(lambda t: 100.0 - 55.0 * math.exp(-t / 20.0), 90.0, 12, id="fast"),
        pytest.param(lambda t: 95.0 - 50.0 * math.exp(-t / 120.0), 90.0, 35, id="an air cooler"),
        pytest.param(lambda t: 97.0 - 50.0 * math.exp(-t / 300.0), 90.0, 20, id="slow"),
        pytest.param(two_steps, 88.0, 20, id="a die and its cooler"),
        pytest.param(pump_fails, 90.0, 8, id="a pump that fails at a steady temperature"),
    ],
)
@pytest.mark.parametrize("seed", range(4))
def test_a_limit_that_is_coming_is_told_of_before_it_is_there(course, limit_c, least_s, seed):
    reached_s = next(t for t in range(LONG) if course(t) > limit_c)
    found = first_warning(readings(course, white(0.3), seed), bound(limit_c))
    assert found is not None
    at_s, finding = found
    assert least_s <= reached_s - at_s <= HORIZON_S + 10.0
    assert (finding.rule, finding.weight, finding.limit, finding.bound) == ("limit-ahead", "note", 0, limit_c)


@pytest.mark.parametrize("seed", range(6))
def test_it_says_when_and_where_it_would_end(seed):
    """tau 60 s to 100 °C: from the warning to the limit so long as it says, within the range that it gives."""
    rows = readings(lambda t: 100.0 - 55.0 * math.exp(-t / 60.0), white(0.2), seed)
    at_s, finding = first_warning(rows)
    _, _, words = finding.text.partition("will be above 90 °C in ")
    soonest, latest = (float(word) for word in words.partition(" s")[0].split(" to "))
    truly_s = 60.0 * math.log(5.5) - at_s
    assert soonest - 3.0 <= truly_s <= latest + 3.0
    if "on its way to" in finding.text:
        assert float(finding.text.partition("on its way to ")[2].partition(" °C")[0]) == pytest.approx(100.0, abs=4.0)


def test_each_approach_is_told_of_once():
    """Up to just below the limit and rest there, down by 20 K, and up again."""

    def course(t):
        return min(89.9, 95.0 - 45.0 * math.exp(-t / 80.0) if t < 800 else 95.0 - 25.0 * math.exp(-(t - 800) / 80.0))

    foresight, told = Foresight((bound(),)), []
    foresight.stage_begins()
    for at_s, value in readings(course, white(0.1), 1, seconds=1000):
        foresight.take(at_s, {CPU: min(value, 90.0)})
        told += [at_s for _ in foresight.look(at_s)]
    assert [at_s // 800 for at_s in told] == [0, 1]


def warm(t):
    return 95.0 - 50.0 * math.exp(-t / 60.0)


def test_the_plan_may_have_the_load_stopped_and_the_limit_may_not():
    rows = readings(warm, white(0.1), 1)
    assert first_warning(rows, stops=True)[1].weight == "inconclusive"
    assert first_warning(rows, bound(then="fail"), stops=True)[1].weight == "note"


@pytest.mark.parametrize(
    "changes",
    [
        {"side": "below"}, {"measure": "difference", "minus": (COOLANT,), "unit": "K"},
        {"measure": "rise", "unit": "K/min"}, {"share_percent": 5.0}, {"unit": "V"},
    ],
    ids=str,
)  # fmt: skip
def test_only_upper_bounds_on_a_temperature_itself_are_foreseen(changes):
    assert first_warning(readings(warm, white(0.1), 1), bound(**changes)) is None


def test_between_stages_nothing_is_foreseen_and_a_new_stage_begins_without_a_past():
    foresight = Foresight((bound(),))
    for at_s, value in readings(warm, white(0.1), 1, seconds=130):
        foresight.take(at_s, {CPU: value})
        assert foresight.look(at_s) == []
    foresight.stage_begins()
    assert foresight.look(131.0) == []
    assert foresight._pasts[CPU].short.points() == []


def test_many_channels_cost_no_more_fits_than_are_allowed(monkeypatch):
    """200 cores that all heat towards their limit at once: those that are nearest are looked at."""
    names = [f"hwmon/core/{n}" for n in range(200)]
    foresight = Foresight([bound(channel=name) for name in names])
    foresight.stage_begins()
    looked = []
    monkeypatch.setattr(foresight, "_closely", looked.append)
    for at_s, value in readings(warm, white(0.0), 1, seconds=60):
        foresight.take(at_s, {name: value + n * 0.01 for n, name in enumerate(names)})
        before = len(looked)
        foresight.look(at_s)
        assert len(looked) - before <= MOST_FITS
    assert set(looked) == {198, 199}
