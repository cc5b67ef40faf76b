"""Chains follow and renew every link of a share once in a lap; a wrong link is named and not followed."""

from __future__ import annotations

import random
import re

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from soakd.errors import WorkloadError
from soakd.workloads.base import Flip
from soakd.workloads.classes import CLASSES, available
from soakd.workloads.memory import chase, latency, links
from soakd.workloads.memory.march import Background
from soakd.workloads.memory.order import Order, Region
from soakd.workloads.memory.share import Share

SIZE = 3 * chase.CHUNK_BYTES
LINES = SIZE // 64
CHAINS = (1, 2, 8, 16)


def no_beat() -> None:
    """These tests watch no heartbeat."""


@pytest.fixture(scope="module", params=CHAINS)
def program(request):
    return chase.build(CLASSES["scalar"], chains=request.param)


@pytest.fixture
def task(program):
    return program.task(memory_bytes=SIZE + 1000, beat=no_beat)


def words(task):
    return np.frombuffer(task.share.bytes, dtype=np.uint64)


def links_of(held):
    """Every line's link, from plain stepping along the recurrence and plain arithmetic."""
    order, ground, right, x = held.order, held.background, {}, 0
    for _ in range(order.region.lines):
        following = (order.multiplier * x + order.increment) % order.region.lines
        line = x ^ x >> (order.region.bits + 1) // 2
        word = (order.region.first + line) * 8 + held.word
        right[word] = following ^ (word * ground.factor % 2**64) ^ ground.mask
        x = following
    return right


def assert_holds(task, held):
    right = links_of(held)
    assert len(right) == held.order.region.lines
    assert all(int(words(task)[word]) == link for word, link in right.items())


def lap(task, rng=None):
    """The Stretches of one lap over the whole share."""
    stretches = []
    while not any(done.sweeps for done in stretches):
        stretches.append(task.walk.advance(rng.randint(1, 300) if rng else 10**9))
    return stretches


def test_a_share_begins_with_links_in_every_line_and_each_lap_leaves_new_ones(task):
    rng = random.Random(1)
    for _ in range(3):
        held = list(task.walk._now)
        for links_held in held:
            assert_holds(task, links_held)
        stretches = lap(task, rng)
        assert sum(done.steps for done in stretches) * task.walk._chaser.chains == LINES
        assert sum(done.bytes_moved for done in stretches) == 16 * LINES
        assert not any(done.wrong for done in stretches)
        assert all(new != old for new, old in zip(task.walk._now, held, strict=True))


numbers = st.integers(0, (1 << 64) - 1)
backgrounds = st.builds(Background, factor=numbers.map(lambda word: word | 1), mask=numbers)
held_links = st.builds(
    chase.Links,
    order=st.builds(
        Order,
        region=st.just(Region(first=64, bits=7)),
        multiplier=st.integers(0, 31).map(lambda number: 4 * number + 1),
        increment=st.integers(0, 63).map(lambda number: 2 * number + 1),
    ),
    background=backgrounds,
    word=st.integers(0, 7),
)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(old=held_links, new=held_links, cut=st.integers(0, 6))
def test_any_links_are_followed_and_renewed_as_plain_stepping_says(program, old, new, cut):
    memory = Share(1 << 16, no_beat)
    contents = np.frombuffer(memory.bytes, dtype=np.uint64)
    chaser = program._design._chaser(program._compiled.kernels, memory)
    chaser.fill(old, 0, 128)
    filled = contents.tolist()
    assert all(filled[word] == link for word, link in links_of(old).items())
    assert np.count_nonzero(contents) <= 128
    steps = 128 // chaser.chains
    for begin, end in ((0, cut), (cut, steps)):
        if end > begin:
            assert chaser.run(old, new, begin, end - begin) == (0, [])
    assert all(int(contents[word]) == link for word, link in links_of(new).items())


def test_chains_together_visit_every_line_once(program):
    walk = program.task(memory_bytes=chase.CHUNK_BYTES, beat=no_beat).walk
    order, chaser = walk.now.order, walk._chaser
    visited = [x for step in range(order.region.lines // chaser.chains) for x in chaser.starts(order, step)]
    assert sorted(visited) == list(range(order.region.lines))


def test_every_one_of_thousands_of_single_bit_flips_in_links_is_found_alone_and_exactly(task):
    """Whichever bit it is, the chain goes on where it should, and the rest of the lap is clean."""
    rng, found = random.Random(2), 0
    while found < 1500:
        walk = task.walk
        length = walk.now.order.region.lines // walk._chaser.chains
        walk.advance(rng.randrange(length // 2) + 1)
        if not walk._step:
            continue
        chain, ahead = rng.randrange(walk._chaser.chains), rng.randrange(length - walk._step)
        place = walk.now.place(walk.now.order.at(chain * length + walk._step + ahead))
        bit = rng.randrange(64)
        words(task)[place] ^= np.uint64(1 << bit)
        done = walk.advance(ahead + 1)
        (fault,) = done.faults
        assert int(re.match(r"byte (0x[0-9a-f]+) of ", fault.where)[1], 16) == 8 * place
        assert (done.wrong, fault.flipped) == (1, 1 << bit)
        assert "re-reads: 3 wrong" in fault.where
        found += 1


def test_rounds_find_the_drills_bit_and_are_clean_after_it(program):
    task = program.task(memory_bytes=SIZE, beat=no_beat)
    done = task.round(0.02, no_beat)
    assert (done.fault_count, done.faults) == (0, ())
    assert done.sweeps == done.operations // 16 // LINES
    for bit in (0, 77, 10**9 + 7):
        drilled = task.round(0.02, no_beat, Flip(bit=bit))
        assert [fault.flipped for fault in drilled.faults] == [1 << bit % 64]
    assert task.round(0.02, no_beat).fault_count == 0


def test_a_chain_that_ends_elsewhere_is_found_by_the_closed_form():
    text = links.kernels_text(2, flushed=True)
    spoilt = text.replace("store i64 %follow1, ptr %start1.at", "store i64 %x1, ptr %start1.at")
    assert spoilt != text
    task = chase.build(CLASSES["scalar"], chains=2, text=spoilt).task(memory_bytes=SIZE, beat=no_beat)
    done = task.walk.advance(5)
    assert [fault.where for fault in done.faults] == ["place reached by chain 1"]
    assert done.wrong == 1


SPOILT = {
    "fold": ("%line{j} = xor i64 %low{j}, %high{j}", "%line{j} = or i64 %low{j}, %high{j}"),
    "order": ("%read{j}.m = mul", "%read{j}.m = add"),
    "new order": ("%write{j}.a = add", "%write{j}.a = sub"),
    "hidden": ("%write{j}.hide = xor", "%write{j}.hide = and"),
    "blind": ("%bad = icmp ne i64 %o{last}, 0", "%bad = icmp ne i64 %o{last}, %o{last}"),
    "not mended": ("[ %read{j}.next, %mend ]", "[ %found{j}, %mend ]"),
    "one link unseen": ("%e{j} = xor i64 %d{j}, %read{j}.link", "%e{j} = xor i64 %d{j}, %d{j}"),
}
"""One wrong instruction each, in chain j; the planted link is followed by chain `planted`."""


def planted_chain(chains):
    """Which chain of the self-check comes by the spoilt link, by stepping from the start."""
    x, step = 0, 0
    while x != chase._KNOWN_LINES - 3:
        x, step = (13 * x + 7) % chase._KNOWN_LINES, step + 1
    return step // (chase._KNOWN_LINES // chains)


@pytest.mark.parametrize("chains", CHAINS)
@pytest.mark.parametrize("what", sorted(SPOILT))
def test_selfcheck_refuses_a_kernel_with_one_wrong_instruction(chains, what):
    target = CLASSES["scalar"]
    old, new = (part.format(j=planted_chain(chains), last=chains - 1) for part in SPOILT[what])
    text = links._chase_text(chains, flushed=True)
    assert old in text
    whole = links.kernels_text(chains, flushed=True)
    with pytest.raises(WorkloadError, match=r"kernel 'soakd_chase' of memory/chase.* is wrong"):
        chase.build(target, chains=chains, text=whole.replace(text, text.replace(old, new))).selfcheck()


def test_selfcheck_refuses_wrong_first_links():
    target = CLASSES["scalar"]
    text = links.kernels_text(8, flushed=True).replace("%line0 = add i64 %i", "%line0 = sub i64 %i", 1)
    spoilt = text.replace("%write0.link = xor", "%write0.link = or", 1)
    with pytest.raises(WorkloadError, match=r"kernel 'soakd_links' of memory/chase .* is wrong"):
        chase.build(target, text=spoilt).selfcheck()


@pytest.mark.parametrize("name", available())
def test_it_can_be_built_for_every_class_and_its_one_chain_variant_says_so(name):
    program = latency.build(CLASSES[name])
    assert program.selfcheck() is None
    assert list(program.digests) == [f"memory/chase of 1 ({name})"]
    assert chase.build(CLASSES[name]).selfcheck() is None
