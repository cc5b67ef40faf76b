"""Kernel, closed form and plain Python agree bit for bit, whatever the seed, the seats and who runs when."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from soakd.splitmix import split_mix
from soakd.workloads.classes import CLASSES
from soakd.workloads.closedform import jump_sum
from soakd.workloads.exchange import counters, ring, sharing, swap
from soakd.workloads.exchange.joint import OPERANDS, generator

WORD = 1 << 64
seeds = st.integers(0, WORD - 1)
turns = st.lists(st.tuples(st.integers(0, 8), st.integers(1, 7)), min_size=1, max_size=12)


def played(program, workers, seed, schedule):
    """Run the schedule in one process; returns the seats, what they published, and the faults."""
    program.gather(workers)
    seats = program.seats()
    program.lay(seed)
    for seat in seats:
        seat.open(seed)
    for number, count in schedule:
        seats[number % workers].advance(count)
    records = [seat.close() for seat in seats]
    faults = [fault for seat in seats for fault in seat.faults(records)[1]]
    return seats, records, faults


@pytest.fixture(scope="module")
def programs():
    return {module: module.build(CLASSES["scalar"]) for module in (counters, swap, ring, sharing)}


@settings(max_examples=60, deadline=None)
@given(seed=seeds, workers=st.integers(1, 9), schedule=turns)
def test_counters(programs, seed, workers, schedule):
    program = programs[counters]
    _, _, faults = played(program, workers, seed, schedule)
    assert faults == []
    a, c = generator(seed)
    streams = [split_mix(seed, OPERANDS + seat) for seat in range(workers)]
    words = [split_mix(seed, OPERANDS + workers + word) for word in range(16)]
    for number, count in schedule:
        for step in range(16 * count):
            x = streams[number % workers]
            words[step % 16] = (words[step % 16] + x) % WORD
            streams[number % workers] = (a * x + c) % WORD
    assert [program._area[8 * word] for word in range(16)] == words


@settings(max_examples=60, deadline=None)
@given(seed=seeds, workers=st.integers(1, 9), schedule=turns)
def test_swap(programs, seed, workers, schedule):
    program = programs[swap]
    _, records, faults = played(program, workers, seed, schedule)
    assert faults == []
    a, c = generator(seed)
    total = sum(count for _, count in schedule)
    for word in range(8):
        x = split_mix(seed, OPERANDS + word)
        for _ in range(total):
            x = (a * x + c) % WORD
        assert program._area[swap.place_of(word)] == x
        assert sum(record[word] for record in records) == total, "nobody interferes here: every swap succeeds"


@settings(max_examples=60, deadline=None)
@given(seed=seeds, workers=st.integers(1, 10), schedule=turns)
def test_sharing(programs, seed, workers, schedule):
    program = programs[sharing]
    _, _, faults = played(program, workers, seed, schedule)
    assert faults == []
    a, c = generator(seed)
    words = [split_mix(seed, OPERANDS + word) for word in range(128 * (1 if workers <= 8 else 2))]
    for number, count in schedule:
        group, place = divmod(number % workers, 8)
        for line in range(16):
            at = 128 * group + 8 * line + place
            for _ in range(count):
                words[at] = (a * words[at] + c) % WORD
    assert program._area.take(0, len(words)) == words


@settings(max_examples=60, deadline=None)
@given(
    seed=seeds,
    workers=st.integers(1, 5),
    schedule=st.lists(st.tuples(st.integers(0, 4), st.integers(1, 90)), min_size=1, max_size=12),
)
def test_ring(programs, seed, workers, schedule):
    """The queue by plain stepping: what was sent, what was received, and every message on the way."""
    program = programs[ring]
    seats, records, faults = played(program, workers, seed, schedule)
    assert faults == []
    a, c = generator(seed)
    sent, received = [0] * workers, [0] * workers
    streams = [split_mix(seed, OPERANDS + seat) for seat in range(workers)]
    slots = {}
    for number, count in schedule:
        seat = number % workers
        before = (seat - 1) % workers
        for _ in range(count):
            if sent[seat] - received[(seat + 1) % workers] < ring.SLOTS:
                message = []
                for _ in range(8):
                    message.append(streams[seat])
                    streams[seat] = (a * streams[seat] + c) % WORD
                slots[seat, sent[seat] % ring.SLOTS] = message
                sent[seat] += 1
            if received[seat] < sent[before]:
                received[seat] += 1
    assert [record[0] for record in records] == sent
    assert [seat.block[ring.RECEIVED] for seat in seats] == [sent[number - 1] for number in range(workers)]
    for (seat, slot), message in slots.items():
        assert program._area.take(seat * ring.QUEUE_WORDS + (2 + slot) * 8, 8) == message


@settings(max_examples=200, deadline=None)
@given(a=seeds, c=seeds, x=seeds, steps=st.integers(0, 300), modulus=st.sampled_from([WORD, 97, 2**31 - 1]))
def test_the_sum_along_a_recurrence_is_what_adding_gives(a, c, x, steps, modulus):
    scale, offset = jump_sum(a, c, steps, modulus)
    total, at = 0, x
    for _ in range(steps):
        total, at = (total + at) % modulus, (a * at + c) % modulus
    assert (scale * x + offset) % modulus == total
