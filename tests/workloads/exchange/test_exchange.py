"""What holds for every exchange: clean rounds, drills told with their place, broken kernels found, code as promised."""

import itertools
import random
import re
import time

import pytest

from soakd.errors import WorkloadError
from soakd.workloads import ir
from soakd.workloads.base import Flip
from soakd.workloads.classes import CLASSES
from soakd.workloads.exchange import area, counters, joint, ring, sharing, swap

SCALAR = CLASSES["scalar"]
MODULES = {"counters": counters, "swap": swap, "ring": ring, "sharing": sharing}
PLACES = {
    "counters": r"counter \d+ of 16",
    "swap": r"word \d of 8 after \d+ swaps",
    "ring": r"word \d of message \d+ from seat \d",
    "sharing": r"word \d of line \d+",
}


def no_beat():
    """Nobody watches."""


@pytest.fixture(params=sorted(MODULES))
def name(request):
    return request.param


@pytest.fixture
def program(name):
    return MODULES[name].build(SCALAR)


@pytest.mark.parametrize("workers", [2, 4])
def test_forked_workers_have_clean_joint_rounds_and_keep_beating(program, together, workers):
    for rounds, gap_s, _ in together(program, workers):
        assert [done.fault_count for done in rounds] == [0, 0, 0]
        assert sum(done.operations for done in rounds) > 0, "in one round the others may have been kept waiting"
        assert all(0 < done.work_s < 5 for done in rounds)
        assert gap_s < 1.25, "the guard's patience with a worker"


def test_words_really_change_hands_between_two_processes(together):
    for module, word in ((counters, counters.HANDED), (swap, swap.HANDED), (ring, ring.RECEIVED)):
        for _, _, block in together(module.build(SCALAR), 2):
            assert block[word] > 100, module.__name__


def test_a_worker_alone_is_right_and_says_how_little_that_proves(program):
    task = program.task(memory_bytes=0, beat=no_beat)
    assert "proves little" in task.note
    done = task.round(0.05, no_beat)
    assert done.operations > 0
    assert done.fault_count == 0


@pytest.mark.parametrize("bit", [0, 200, 1023])
def test_a_planted_bit_is_told_once_in_its_round_with_its_place(name, program, together, bit):
    told = together(program, 2, flips={1: Flip(bit=bit)})
    rounds = [[seat[0][n] for seat in told] for n in range(3)]
    assert [sum(done.fault_count for done in both) for both in rounds] == [0, 1, 0]
    (fault,) = [fault for done in rounds[1] for fault in done.faults]
    assert re.fullmatch(PLACES[name], fault.where)
    if name == "ring":
        assert fault.flipped == 1 << bit % 64
    assert fault.flipped


@pytest.mark.parametrize("workers", [1, 2, 3])
def test_every_bit_at_random_moments_is_found_in_its_own_word(name, program, workers):
    rng = random.Random(workers)
    program.gather(workers)
    seats = program.seats()
    state_bits = {"counters": 1024, "swap": 512, "ring": 512, "sharing": 1024}[name]
    for bit in range(state_bits):
        seed = rng.getrandbits(64)
        program.lay(seed)
        for seat in seats:
            seat.open(seed)
        turns = [rng.choice(seats) for _ in range(4)]
        for seat in turns:
            seat.advance(rng.randint(1, 9))
        for seat in seats:  # a queue may be full: its receiver makes room
            seat.advance(1)
        victim = rng.choice(seats)
        victim.plant(bit)
        for seat in seats:
            seat.advance(rng.randint(1, 9))
        records = [seat.close() for seat in seats]
        faults = [fault for seat in seats for fault in seat.faults(records)[1]]
        assert len(faults) == 1
        assert re.fullmatch(PLACES[name], faults[0].where)


def broken(name):
    """One atomic operation, or its order, replaced by what would do for one core."""
    text = MODULES[name].kernel_text()
    if name == "counters":
        pattern = r"%(old\d+) = atomicrmw add ptr (%w\d+), i64 (%x\d+) seq_cst"
        return re.sub(pattern, r"%\1 = load i64, ptr \2\n%\1.b = add i64 %\1, \3\nstore i64 %\1.b, ptr \2", text)
    if name == "swap":
        pattern = r"%pair(\d) = cmpxchg .*\n.*"
        by = (
            r"%now\1 = load i64, ptr %w\1\n%ok\1 = icmp eq i64 %now\1, %seen\1\n"
            r"%put\1 = select i1 %ok\1, i64 %next\1, i64 %now\1\nstore i64 %put\1, ptr %w\1"
        )
        return re.sub(pattern, by, text)
    if name == "ring":  # the count first, then the message that it announces
        announced = "%sent.one = add i64 %sent, 1\nstore atomic i64 %sent.one, ptr %out release, align 8\n"
        assert announced in text
        return text.replace(announced, "").replace("send:\n", f"send:\n{announced}")
    pattern = r"store atomic i64 %y(\d+), ptr %w\d+ monotonic, align 8"  # and the neighbour's word, as it was read
    by = (
        r"%i\1 = ptrtoint ptr %w\1 to i64\n%j\1 = xor i64 %i\1, 8\n%n\1 = inttoptr i64 %j\1 to ptr\n"
        r"%v\1 = load volatile i64, ptr %n\1\n\g<0>\nstore volatile i64 %v\1, ptr %n\1"
    )
    return re.sub(pattern, by, text)


def test_a_broken_kernel_is_found_out_within_seconds_on_two_cores_and_not_by_one(name, together):
    text = broken(name)
    assert text != MODULES[name].kernel_text()
    program = MODULES[name].build(SCALAR, text=text)
    assert program.task(memory_bytes=0, beat=no_beat).round(0.02, no_beat).fault_count == 0
    deadline = time.monotonic() + 20.0
    found = 0
    while not found:
        assert time.monotonic() < deadline
        found = sum(done.fault_count for rounds, _, _ in together(program, 2) for done in rounds)


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("counters", "%x4 = add", "%x4 = sub"),
        ("swap", "%next5 = add", "%next5 = sub"),
        ("ring", "%y3 = add", "%y3 = sub"),
        ("ring", " = add i64 %x.m", " = sub i64 %x.m"),
        ("sharing", "%y9 = add", "%y9 = sub"),
        ("sharing", "i64 896", "i64 904"),
    ],
)
def test_selfcheck_names_a_kernel_that_one_wrong_instruction_spoils(name, old, new):
    text = MODULES[name].kernel_text()
    assert old in text
    with pytest.raises(WorkloadError, match=f"kernel 'exchange/{name} .scalar.' computes wrongly"):
        MODULES[name].build(SCALAR, text=text.replace(old, new, 1)).selfcheck()


def test_two_streams_that_err_alike_are_found_by_the_closed_form():
    text = ring.kernel_text().replace("%x3 = add", "%x3 = sub").replace("%y3 = add", "%y3 = sub")
    with pytest.raises(WorkloadError, match="place in the stream"):
        ring.build(SCALAR, text=text).selfcheck()


def test_selfcheck_accepts_the_right_kernel(program):
    assert program.selfcheck() is None


@pytest.mark.parametrize("where", sorted(SCALAR.cpu_names))
def test_the_code_is_scalar_and_calls_nothing(name, where):
    assembly = ir.assembly(f"{MODULES[name].kernel_text()}\n{area.TEXT}", SCALAR, where)
    assert not re.search(r"%[xyz]mm\d|\b[vq]\d+(\.\w+)?,", assembly)
    assert not re.search(r"^\s+(callq?|bl|blr)\s", assembly, re.MULTILINE)


@pytest.mark.parametrize(
    ("name", "where", "instruction", "count"),
    [
        ("counters", "x86-64", r"lock\s+xaddq", counters.WORDS),
        ("counters", "aarch64", r"ldaxr\s", counters.WORDS),
        ("swap", "x86-64", r"lock\s+cmpxchgq", swap.WORDS),
        ("swap", "aarch64", r"ldaxr\s", swap.WORDS),
        ("ring", "aarch64", r"stlr\s", 2),
        ("ring", "aarch64", r"ldar\s", 2),
        ("sharing", "x86-64", r"\block\b", 0),
    ],
)
def test_the_code_has_the_atomic_instructions_of_its_text(name, where, instruction, count):
    assert len(re.findall(instruction, ir.assembly(MODULES[name].kernel_text(), SCALAR, where))) == count


def test_the_round_s_recurrence_has_full_period():
    """Hull and Dobell (1962): c odd, and a - 1 a multiple of 4."""
    rng = random.Random(3)
    for a, c in (joint.generator(rng.getrandbits(64)) for _ in range(200)):
        assert a % 4 == 1
        assert c % 2 == 1


@pytest.mark.parametrize("name", ["counters", "sharing", "swap"])
def test_each_shared_word_is_checked_by_exactly_one_seat(name):
    """A word spoilt behind everybody's back is told once, whatever the number of seats (a ring has no final state)."""
    for workers in (1, 2, 7, 9):
        program = MODULES[name].build(SCALAR)
        program.gather(workers)
        seats = program.seats()
        program.lay(5)
        for seat in seats:
            seat.open(5)
            seat.advance(2)
        records = [seat.close() for seat in seats]
        words = {"counters": 16 * 8, "swap": 4 * 8, "sharing": -(-workers // 8) * 128}[name]
        used = {
            "counters": [counters.place_of(word) for word in range(counters.WORDS)],
            "swap": [swap.place_of(word) for word in range(swap.WORDS)],
            "sharing": range(words),
        }[name]
        for word in used:
            program._area.xor(word, 1 << 17)
        faults = list(itertools.chain.from_iterable(seat.faults(records)[1] for seat in seats))
        assert len(faults) == len(used)
        assert {fault.flipped for fault in faults} == {1 << 17}
