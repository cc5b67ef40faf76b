"""One turn of any kernel, for tests and `benchmarks/flips.py`: work, perhaps one inverted bit, work, check.

What is inverted is what the kernel says it catches:

- integer and vector kernels: any bit of the state, between two calls of the kernel; `large`: any bit of the state, of
  the multiplier, or of a product before its reduction.
- `march`, `reread`, `ss`, `permuted`: any bit of the share, in the middle of a pass; the rest of it and two whole
  passes follow, so that each word is read again, and written: a pass of reads alone leaves what it finds.
- `moves`: any bit that is still to reach the check. What lies in the other block, copied already or not yet written,
  does not count: the kernel does not claim it.
- `chase`, `latency`: any bit of a link, of this lap or already written for the next. Of each line that is one word in
  eight; the other seven are not read in a lap, and the kernel does not claim them.
- `together`: half of them as in `march`, half in the chains' state. `apart`: as in the kernels it is made of.
- `exchange`: any bit of the words that are shared and checked, three seats playing in turn in one process; in a `ring`,
  of a message that is under way.
"""

import ctypes
import random
from collections.abc import Callable

from soakd.workloads import catalog
from soakd.workloads.base import Task
from soakd.workloads.chain import ChainTask
from soakd.workloads.exchange import counters, ring, swap
from soakd.workloads.exchange.joint import JointProgram, Seat
from soakd.workloads.memory.chase import ChaseWalk
from soakd.workloads.memory.moves import HOPS, MovesWalk
from soakd.workloads.memory.tasks import CHUNK_WORDS, MemoryTask
from soakd.workloads.mixed.apart import ApartTask
from soakd.workloads.mixed.together import TogetherTask

Turn = Callable[[random.Random, bool], bool]
"""Told whether to invert a bit; tells whether the check found anything."""

SHARE_BYTES = 1 << 20
"""A power of two: the orders of `permuted` and `chase` then cover it in one piece."""
LONGEST = 40
LONGEST_LARGE = 3
SEATS = 3
_WHOLE = 1 << 40
"""More steps than any pass has: up to its end."""


def turn_of(workload: str, instruction_class: str) -> Turn:
    """Build the kernel; `vector/large` can be had for one class only in one process."""
    program = catalog.build(workload, instruction_class)
    if isinstance(program, JointProgram):
        return exchange_turn(workload.partition("/")[2], program)
    if workload == "vector/large":
        return large_turn(program)
    return task_turn(program.task(memory_bytes=SHARE_BYTES, beat=lambda: None))


def task_turn(task: Task) -> Turn:
    if isinstance(task, ChainTask):
        return chain_turn(task)
    if isinstance(task, ApartTask):
        turns = [task_turn(part) for part in task._tasks]
        return lambda dice, *, flip: dice.choice(turns)(dice, flip=flip)
    return together_turn(task) if isinstance(task, TogetherTask) else memory_turn(task)


def chain_turn(task: ChainTask) -> Turn:
    chain = task._chain

    def turn(dice, *, flip):
        block = chain.fresh()
        before, after = dice.randint(1, LONGEST), dice.randint(1, LONGEST)
        task.load(block)
        task.advance(before)
        if flip:
            task.invert(dice.randrange(64 * chain.state_words))
        task.advance(after)
        return bool(chain.faults(block, (before + after) * chain.steps_per_count, task.state()))

    return turn


def large_turn(program) -> Turn:
    import numpy as np  # after the build, which prepares the library's environment

    task = program._task(lambda: None, 2 * LONGEST_LARGE + 1)
    matrices = (task.state, task.matrix, task.product)

    def invert(matrix, bit):
        matrix.reshape(-1).view(np.uint64)[bit // 64] ^= np.uint64(1 << bit % 64)

    @np.errstate(all="ignore")
    def turn(dice, *, flip):
        before, after = dice.randint(0, LONGEST_LARGE), dice.randint(0, LONGEST_LARGE)
        matrix, bit = dice.choice(matrices), dice.randrange(64 * task.state.size)
        task.load()
        task.advance(before)
        if flip and matrix is not task.product:
            invert(matrix, bit)
        task.multiply()
        if flip and matrix is task.product:
            invert(matrix, bit)
        task.reduce()
        task.advance(after)
        count, _ = task.faults(before + 1 + after, lambda: None)
        if flip and matrix is task.matrix:
            invert(matrix, bit)  # the one thing that is not drawn anew
        return bool(count)

    return turn


def memory_turn(task: MemoryTask, invert: Callable[[random.Random], None] | None = None) -> Turn:
    walk = task.walk
    passes = 2 * (HOPS + 1) if isinstance(walk, MovesWalk) else 3
    invert = invert or share_inverter(task)

    def turn(dice, *, flip):
        wrong = sum(walk.advance(_WHOLE).wrong for _ in range(dice.randrange(4)))
        wrong += walk.advance(dice.randint(1, SHARE_BYTES // walk.step_bytes)).wrong
        if flip:
            invert(dice)
        wrong += sum(walk.advance(_WHOLE).wrong for _ in range(passes))
        return wrong > 0

    return turn


def share_inverter(task: MemoryTask) -> Callable[[random.Random], None]:
    walk, words = task.walk, SHARE_BYTES // 8
    memory = (ctypes.c_uint64 * words).from_buffer(task.share.bytes)  # and keeps the share
    place = {ChaseWalk: link_place, MovesWalk: move_place}.get(type(walk), lambda _, dice: dice.randrange(words))

    def invert(dice):
        memory[place(walk, dice)] ^= 1 << dice.randrange(64)

    return invert


def together_turn(task: TogetherTask) -> Turn:
    companion, in_share = task.companion, share_inverter(task)

    def invert(dice):
        if dice.randrange(2):
            companion.invert(dice.randrange(64 * companion.chain.state_words))
        else:
            in_share(dice)

    march = memory_turn(task, invert)

    def turn(dice, *, flip):
        companion.begin()
        found = march(dice, flip=flip)
        return bool(companion.wrong()) or found

    return turn


def link_place(walk: ChaseWalk, dice: random.Random) -> int:
    """A link that is still to be followed in this lap, or one that this lap has written."""
    order, chains = walk.now.order, walk._chaser.chains
    length = order.region.lines // chains
    chain, step = dice.randrange(chains), dice.randrange(length)
    links = walk.now if step >= walk._step else walk._new
    return links.place(order.at(chain * length + step))


def move_place(walk: MovesWalk, dice: random.Random) -> int:
    """A word that is still to be read in this pass, or what this pass has made of one: its copy, or its renewal."""
    begin, end = walk.stretch(_WHOLE)
    first, last = (chunk * CHUNK_WORDS for chunk in walk._block())
    word = dice.randrange(first, last)
    return word if begin <= word < end or walk._pass == HOPS else word + walk._distance()


def exchange_turn(name: str, program: JointProgram) -> Turn:
    program.gather(SEATS)
    seats = program.seats()
    checked = {
        "counters": [counters.place_of(word) for word in range(counters.WORDS)],
        "swap": [swap.place_of(word) for word in range(swap.WORDS)],
        "sharing": range(program._exchange.shared_words(SEATS)),
    }

    def play(dice):
        for _ in range(4):
            dice.choice(seats).advance(dice.randint(1, LONGEST))

    def turn(dice, *, flip):
        seed = dice.getrandbits(64)
        program.lay(seed)
        for seat in seats:
            seat.open(seed)
        play(dice)
        if flip:
            place = message_place(seats, dice) if name == "ring" else dice.choice(checked[name])
            program._area.xor(place, 1 << dice.randrange(64))
        play(dice)
        records = [seat.close() for seat in seats]
        return sum(seat.faults(records)[0] for seat in seats) > 0  # all of them: each has something to finish

    return turn


def message_place(seats: list[Seat], dice: random.Random) -> int:
    """A word of a message that is under way."""
    sender = dice.randrange(len(seats))
    seats[sender].advance(1)  # its queue is not empty now: the receiver has not looked since
    sent, received = seats[sender].block[ring.SENT], seats[(sender + 1) % len(seats)].block[ring.RECEIVED]
    slot = dice.randrange(received, sent) % ring.SLOTS
    return sender * ring.QUEUE_WORDS + (2 + slot) * ring.LINE_WORDS + dice.randrange(ring.LINE_WORDS)
