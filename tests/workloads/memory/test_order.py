"""Orders visit every line exactly once, and any place in them is known without going there."""

from __future__ import annotations

import itertools

from hypothesis import given, settings
from hypothesis import strategies as st

from soakd.workloads.memory.order import Order, Region, regions


@given(st.integers(0, 1 << 40))
def test_regions_are_powers_of_two_that_cover_all_lines_once(lines):
    at = 0
    for region in regions(lines):
        assert region.first == at
        assert region.lines == 1 << region.bits
        at += region.lines
    assert at == lines


@given(st.integers(0, 40).flatmap(lambda bits: st.tuples(st.just(bits), st.integers(0, (1 << bits) - 1))))
def test_folding_is_its_own_inverse_and_stays_inside(case):
    bits, index = case
    region = Region(first=0, bits=bits)
    assert 0 <= region.folded(index) < region.lines
    assert region.folded(region.folded(index)) == index


@settings(max_examples=60)
@given(st.integers(3, 11), st.integers(0, 1 << 20))
def test_a_fresh_order_visits_every_line_of_its_region_once_and_every_place_in_it_is_known(bits, first):
    order, index, lines = Order.fresh(Region(first=first, bits=bits)), 0, []
    for step in range(1 << bits):
        assert order.at(step) == index
        lines.append(order.line(step))
        index = order.follow(index)
    assert index == order.at(1 << bits) == 0
    assert sorted(lines) == list(range(first, first + (1 << bits)))
    assert order.spaced(5, 3, 7) == [order.at(step) for step in range(5, 26, 3)]


def test_orders_are_new_each_time_and_low_bits_do_not_alternate():
    region = Region(first=0, bits=16)
    drawn = {(order.multiplier, order.increment) for order in (Order.fresh(region) for _ in range(50))}
    assert len(drawn) == 50
    order = Order.fresh(region)
    parities = [order.line(step) % 2 for step in range(4096)]
    assert any(a == b for a, b in itertools.pairwise(parities))
