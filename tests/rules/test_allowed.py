"""What clock a sheet allows: against a table painted entry by entry, and what must hold for every sheet."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from sheet_parts import CORES, WIDTHS, active_counts, any_clocks, orderly_clocks, temperatures

from soakd.model.sheet import ActiveLimit, Clocks, CoreCeiling, StepDown, VectorLimit
from soakd.rules.allowed import Allowed, allowed
from soakd.rules.sheet_clocks import clock_findings

core_numbers = st.integers(0, CORES - 1)
register_widths = st.sampled_from(WIDTHS)

LANTERN = Clocks(
    reference_mhz=100.0,
    limits=(ActiveLimit(active_cores=2, ratio=55), ActiveLimit(active_cores=8, ratio=50)),
    cores=(CoreCeiling(core=0, ratio=53), CoreCeiling(core=1, ratio=57)),
    vector=(VectorLimit(width=256, below=4), VectorLimit(width=512, below=9.5)),
    steps_down=(StepDown(at_c=70.0, by=1), StepDown(at_c=85.0, by=3, active_cores=4)),
)


@pytest.mark.parametrize(
    ("core", "active", "width", "temperature_c", "ratio", "because"),
    [
        (5, 1, 64, None, 55, "limit for up to 2 active"),
        (5, 3, 64, None, 50, "limit for up to 8 active"),
        (0, 1, 64, None, 53, "the core's own ceiling"),
        (1, 1, 64, None, 55, "limit for up to 2 active"),  # a ceiling above the group's limit frees nothing
        (0, 1, 128, None, 53, "the core's own ceiling"),  # nothing is declared for 128 bits
        (0, 1, 256, None, 49, "256 bits: 4 below the core's own ceiling"),
        (5, 1, 256, None, 51, "256 bits: 4 below the highest ceiling"),
        (5, 8, 256, None, 50, "limit for up to 8 active"),
        (5, 8, 512, None, 45.5, "512 bits: 9.5 below the highest ceiling"),
        (5, 1, 64, 69.9, 55, "limit for up to 2 active"),
        (5, 1, 64, 70.0, 54, "limit for up to 2 active, 1 lower from 70 °C"),
        (5, 3, 64, 85.0, 49, "limit for up to 8 active, 1 lower from 70 °C"),  # three cores are too few for the second
        (5, 4, 64, 85.0, 47, "limit for up to 8 active, 3 lower from 85 °C"),  # 3, not 1 + 3
        (0, 9, 64, None, 53, "the core's own ceiling"),  # beyond what is declared by active cores
    ],
)
def test_the_least_of_what_applies_holds(core, active, width, temperature_c, ratio, because):
    found = allowed(LANTERN, core=core, active=active, width=width, temperature_c=temperature_c)
    assert found == Allowed(ratio=ratio, clock_mhz=ratio * 100.0, because=because)


def test_nothing_declared_allows_and_forbids_nothing():
    assert allowed(Clocks(), core=0, active=1, width=64, temperature_c=90.0) is None
    assert allowed(LANTERN, core=5, active=9, width=64, temperature_c=None) is None
    only_vector = Clocks(vector=(VectorLimit(width=128, below=3),))
    assert allowed(only_vector, core=0, active=1, width=128, temperature_c=None) is None


def test_the_clock_is_the_ratio_times_the_declared_reference():
    """Common practice, no source: at a reference of 100.15 MHz a ratio of 65 is 6509.75 MHz, where many show 6500."""
    limits = (ActiveLimit(active_cores=1, ratio=65),)
    found = allowed(Clocks(reference_mhz=100.15, limits=limits), core=0, active=1, width=64, temperature_c=None)
    assert found is not None
    assert found.clock_mhz == pytest.approx(6509.75, abs=1e-9)
    found = allowed(Clocks(limits=limits), core=0, active=1, width=64, temperature_c=None)
    assert found == Allowed(ratio=65.0, clock_mhz=None, because="limit for up to 1 active")


def painted(clocks: Clocks, core: int, active: int, width: int, temperature_c: float | None) -> Fraction | None:
    """The same question, answered by painting every entry over the range that it holds for."""
    by_active: dict[int, Fraction] = {}
    for entry in sorted(clocks.limits, key=lambda entry: -entry.active_cores):
        by_active.update(dict.fromkeys(range(1, entry.active_cores + 1), Fraction(entry.ratio)))
    by_core = {own.core: Fraction(own.ratio) for own in clocks.cores}
    by_width: dict[int, Fraction] = {}
    for limit in sorted(clocks.vector, key=lambda limit: limit.width):
        by_width.update(dict.fromkeys([bits for bits in WIDTHS if bits >= limit.width], Fraction(limit.below)))
    held = []
    if active in by_active:
        held.append(by_active[active])
    if core in by_core:
        held.append(by_core[core])
    if width in by_width and (core in by_core or by_active):
        held.append(by_core.get(core, max(by_active.values(), default=Fraction(0))) - by_width[width])
    if not held:
        return None
    drop = Fraction(0)
    for step in clocks.steps_down:
        if temperature_c is not None and not (temperature_c < step.at_c or active < step.active_cores):
            drop = drop if drop > step.by else Fraction(step.by)
    return min(held) - drop


@given(any_clocks(), core_numbers, active_counts, register_widths, temperatures)
def test_it_is_what_a_painted_table_says(clocks, core, active, width, temperature_c):
    found = allowed(clocks, core=core, active=active, width=width, temperature_c=temperature_c)
    expected = painted(clocks, core, active, width, temperature_c)
    assert (found.ratio if found else None) == expected
    if found and clocks.reference_mhz is not None:
        assert found.clock_mhz == pytest.approx(float(expected * Fraction(clocks.reference_mhz)), rel=1e-12)


@given(any_clocks(), core_numbers, active_counts, register_widths, temperatures)
def test_it_is_never_above_any_single_limit_that_applies(clocks, core, active, width, temperature_c):
    found = allowed(clocks, core=core, active=active, width=width, temperature_c=temperature_c)
    if found is None:
        return
    alone = [clocks.model_copy(update={"limits": (entry,), "cores": (), "vector": ()}) for entry in clocks.limits]
    alone += [clocks.model_copy(update={"limits": (), "vector": ()})]
    for part in alone:
        single = allowed(part, core=core, active=active, width=width, temperature_c=temperature_c)
        nearest = min((e.active_cores for e in clocks.limits if e.active_cores >= active), default=None)
        applies = not part.limits or part.limits[0].active_cores == nearest
        if single is not None and applies:
            assert found.ratio <= single.ratio
    ceilings = [own.ratio for own in clocks.cores if own.core == core] or [entry.ratio for entry in clocks.limits]
    widths = [entry for entry in clocks.vector if entry.width <= width]
    if widths and ceilings:
        assert found.ratio <= max(ceilings) - max(widths, key=lambda entry: entry.width).below
    for step in clocks.steps_down:
        if temperature_c is not None and temperature_c >= step.at_c and active >= step.active_cores:
            cool = allowed(clocks, core=core, active=active, width=width, temperature_c=None)
            assert found.ratio <= cool.ratio - step.by


ORDER = {"limits-rise", "steps-out-of-order"}
"""What the sheet check calls it when ratios rise with active cores, or a hotter step lowers less."""


def in_order(clocks):
    return not ORDER & {finding.rule for finding in clock_findings(clocks)}


passing = (any_clocks() | orderly_clocks()).filter(in_order)


@given(passing, core_numbers, active_counts, register_widths, st.floats(-20, 120), st.floats(0, 60))
def test_it_never_rises_with_temperature(clocks, core, active, width, temperature_c, warmer_k):
    cool = allowed(clocks, core=core, active=active, width=width, temperature_c=temperature_c)
    warm = allowed(clocks, core=core, active=active, width=width, temperature_c=temperature_c + warmer_k)
    assert (cool is None) == (warm is None)
    assert cool is None or warm.ratio <= cool.ratio


@given(passing, core_numbers, active_counts, active_counts, register_widths, temperatures)
def test_it_never_rises_with_more_active_cores_as_far_as_they_are_declared(
    clocks, core, active, other, width, temperature_c
):
    """Beyond the last entry by active cores nothing is claimed, so nothing is compared there."""
    few, many = sorted((active, other))
    assume(not clocks.limits or many <= max(entry.active_cores for entry in clocks.limits))
    lone = allowed(clocks, core=core, active=few, width=width, temperature_c=temperature_c)
    busy = allowed(clocks, core=core, active=many, width=width, temperature_c=temperature_c)
    assert (lone is None) == (busy is None)
    assert lone is None or busy.ratio <= lone.ratio


@given(orderly_clocks(), core_numbers, active_counts, temperatures)
def test_wider_registers_never_have_a_higher_clock_where_the_sheet_is_in_order(clocks, core, active, temperature_c):
    belows = sorted(entry.below for entry in clocks.vector)
    entries = sorted(clocks.vector, key=lambda entry: entry.width)
    ordered = tuple(VectorLimit(width=e.width, below=below) for e, below in zip(entries, belows, strict=True))
    clocks = clocks.model_copy(update={"vector": ordered})
    found = [allowed(clocks, core=core, active=active, width=bits, temperature_c=temperature_c) for bits in WIDTHS]
    ratios = [each.ratio for each in found if each is not None]
    assert ratios == sorted(ratios, reverse=True)
