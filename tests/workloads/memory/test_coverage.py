"""What share of each fault class the kernels' own sequences find in a small memory of words, counted fault by fault.

The model is this file's own: 32 words of 8 bits, all zero at first, many faulty memories at once (one per row).  From
the project come the marches, the orders, the links and the backgrounds, of which bits 20 to 27 are used.  Fault
classes after van de Goor 1993 and Hamdioui 2002, as in test_march; "inter" couples bits of different words, "intra"
bits of one.  The random backgrounds are seeded, so the counts are exact and repeatable.
"""

from __future__ import annotations

import itertools
import random

import numpy as np
import pytest

from soakd.workloads.memory.chase import Links
from soakd.workloads.memory.march import C_MINUS, OPENING, REREAD, SS, Background, Data, Element, Pass
from soakd.workloads.memory.order import Order, Region

WORDS, WIDTH = 32, 8
REGION = Region(first=0, bits=5)
SAMPLE = 800
BITS = (0, 1)
BYTE = (1 << WIDTH) - 1
SHIFT = 20


class Faulty:
    """Many memories, each with its own fault: one row of `faults` (columns as a subclass names them) for each."""

    def __init__(self, faults):
        self.at = np.array(faults, dtype=np.int64).T
        self.rows = np.arange(len(faults))
        self.words = np.zeros((len(faults), WORDS), dtype=np.int64)

    def read(self, word):
        return self.words[:, word].copy()

    def write(self, word, value):
        self.words[:, word] = value


class StuckAt(Faulty):
    def read(self, word):
        at, bit, value = self.at
        stuck = self.words[:, word] & ~(1 << bit) | value << bit
        return np.where(at == word, stuck, self.words[:, word])


class Transition(Faulty):
    def write(self, word, value):
        at, bit, edge = self.at
        old = self.words[:, word]
        fails = (at == word) & (value >> bit & 1 == edge) & (old >> bit & 1 != edge)
        self.words[:, word] = np.where(fails, value ^ 1 << bit, value)


class WriteDisturb(Faulty):
    def write(self, word, value):
        at, bit, held = self.at
        old = self.words[:, word]
        fails = (at == word) & (value >> bit & 1 == held) & (old >> bit & 1 == held)
        self.words[:, word] = np.where(fails, value ^ 1 << bit, value)


class EitherWriteDisturbs(WriteDisturb):
    """The same for both values."""

    def write(self, word, value):
        at, bit, _ = self.at
        same = (at == word) & ((value ^ self.words[:, word]) >> bit & 1 == 0)
        self.words[:, word] = np.where(same, value ^ 1 << bit, value)


class ReadDestroys(Faulty):
    lies = True

    def read(self, word):
        at, bit, held = self.at
        seen = self.words[:, word].copy()
        acts = (at == word) & (seen >> bit & 1 == held)
        self.words[:, word] ^= acts << bit
        return self.words[:, word].copy() if self.lies else seen


class ReadDeceives(ReadDestroys):
    lies = False


class CouplingIdempotent(Faulty):
    """Aggressor word and bit, edge, victim word and bit, value."""

    def hit(self, victim, acts, bit, value):
        held = self.words[self.rows, victim]
        self.words[self.rows, victim] = np.where(acts, held & ~(1 << bit) | value << bit, held)

    def write(self, word, value):
        at, bit, edge, victim, victim_bit, forced = self.at
        old = self.words[:, word].copy()
        super().write(word, value)
        acts = (at == word) & (value >> bit & 1 == edge) & (old >> bit & 1 != edge)
        self.hit(victim, acts, victim_bit, forced)


class CouplingInversion(CouplingIdempotent):
    def hit(self, victim, acts, bit, _value):
        self.words[self.rows, victim] ^= acts << bit


class CouplingState(CouplingIdempotent):
    """The edge is a state here: while the aggressor holds it, the victim is forced."""

    def __init__(self, faults):
        super().__init__(faults)
        self.force()

    def force(self):
        at, bit, state, victim, victim_bit, forced = self.at
        self.hit(victim, self.words[self.rows, at] >> bit & 1 == state, victim_bit, forced)

    def write(self, word, value):
        self.words[:, word] = value
        self.force()


class Elsewhere(Faulty):
    """An address that reaches another word instead."""

    def to(self, word):
        at, other = self.at
        return np.where(at == word, other, word)

    def read(self, word):
        return self.words[self.rows, self.to(word)]

    def write(self, word, value):
        self.words[self.rows, self.to(word)] = value


class Line(Elsewhere):
    """An address line that is stuck."""

    def to(self, word):
        line, value = self.at
        return word & ~(1 << line) | value << line


class Both(Faulty):
    """An address that reaches its own word and another; reads are a wired and."""

    def read(self, word):
        at, other = self.at
        own = self.words[:, word]
        return np.where(at == word, own & self.words[self.rows, other], own)

    def write(self, word, value):
        at, other = self.at
        super().write(word, value)
        self.words[self.rows, other] = np.where(at == word, value, self.words[self.rows, other])


class Nothing(Faulty):
    """An address that reaches no word: reads are all ones or all zeros."""

    def read(self, word):
        at, value = self.at
        return np.where(at == word, value * BYTE, self.words[:, word])


def sampled(faults):
    faults = list(faults)
    return random.Random(3).sample(faults, min(SAMPLE, len(faults)))


def couplings(*, inside):
    rng = random.Random(4)
    for _ in range(SAMPLE):
        word, (bit, other_bit) = rng.randrange(WORDS), rng.sample(range(WIDTH), 2)
        if inside:
            yield word, bit, rng.choice(BITS), word, other_bit, rng.choice(BITS)
        else:
            aggressor, victim = rng.sample(range(WORDS), 2)
            yield aggressor, bit, rng.choice(BITS), victim, rng.randrange(WIDTH), rng.choice(BITS)


CELLS = sampled(itertools.product(range(WORDS), range(WIDTH), BITS))
PAIRS = sampled(itertools.permutations(range(WORDS), 2))
CLASSES = {
    "SAF": (StuckAt, CELLS),
    "TF": (Transition, CELLS),
    "CFin inter": (CouplingInversion, list(couplings(inside=False))),
    "CFid inter": (CouplingIdempotent, list(couplings(inside=False))),
    "CFst inter": (CouplingState, list(couplings(inside=False))),
    "CFid intra": (CouplingIdempotent, list(couplings(inside=True))),
    "CFst intra": (CouplingState, list(couplings(inside=True))),
    "address map": (Elsewhere, PAIRS),
    "address multi": (Both, PAIRS),
    "address none": (Nothing, list(itertools.product(range(WORDS), BITS))),
    "address line": (Line, list(itertools.product(range(REGION.bits), BITS))),
    "RDF": (ReadDestroys, CELLS),
    "DRDF": (ReadDeceives, CELLS),
    "WDF": (EitherWriteDisturbs, CELLS),
    "WDF by value": (WriteDisturb, CELLS),
}

WHOLE = WORDS


def grounds(seed):
    rng = random.Random(seed)
    while True:
        yield Background(factor=rng.getrandbits(64) | 1, mask=rng.getrandbits(64))


def march_steps(cycle, marches, block=WHOLE):
    """Every access of so many marches: (word, expected or None, written or None)."""
    source = grounds(19)
    plain = next(source)
    yield from ((word, None, plain.word(word)) for word in range(WORDS) if OPENING.writes is Data.PLAIN)
    for _ in range(marches):
        following = next(source)
        data = {Data.PLAIN: plain, Data.INVERSE: plain.inverse(), Data.NEXT: following}
        for element in cycle:
            order = range(WORDS) if element.ascending else range(WORDS - 1, -1, -1)
            for first in range(0, WORDS, block):
                for step, word in itertools.product(element.passes, order[first : first + block]):
                    yield word, *(data[way].word(word) if way else None for way in (step.reads, step.writes))
        plain = following


def seeded_order(rng):
    last = REGION.lines - 1
    return Order(
        region=REGION, multiplier=rng.getrandbits(64) & last & ~7 | 5, increment=rng.getrandbits(64) & last | 1
    )


def permuted_steps(sweeps):
    source, rng = grounds(23), random.Random(29)
    plain = next(source)
    yield from ((word, None, plain.word(word)) for word in range(WORDS))
    for _ in range(sweeps):
        following, order = next(source), seeded_order(rng)
        for step in range(WORDS):
            word = order.line(step)
            yield word, plain.word(word), following.word(word)
        plain = following


def chase_steps(laps, *, renew=True, chains=8):
    """Chains take turns, link by link; links are the kernel's own."""
    source, rng = grounds(31), random.Random(37)
    now = Links(order=seeded_order(rng), background=next(source), word=0)
    lines = {x: REGION.folded(x) for x in range(WORDS)}
    yield from ((lines[x], None, now.link(x)) for x in sorted(lines, key=lines.get))
    for _ in range(laps):
        new = Links(order=seeded_order(rng), background=next(source), word=0)
        for step, chain in itertools.product(range(WORDS // chains), range(chains)):
            x = now.order.at(chain * (WORDS // chains) + step)
            yield lines[x], now.link(x), new.link(x) if renew else None
        now = new if renew else now


def share_found(name, steps) -> float:
    """Per cent of a class's faults that some read of `steps` shows."""
    model, faults = CLASSES[name]
    memory, wrong = model(faults), np.zeros(len(faults), dtype=bool)
    for word, expected, written in steps:
        if expected is not None:
            wrong |= memory.read(word) != expected >> SHIFT & BYTE
        if written is not None:
            memory.write(word, written >> SHIFT & BYTE)
    return 100 * float(wrong.mean())


def single_passes(read, write, *, ascending):
    """A March SS element as five passes that do one thing each."""
    steps = ((read, None), (read, None), (None, read), (read, None), (None, write))
    return Element(ascending=ascending, passes=tuple(Pass(reads=reads, writes=writes) for reads, writes in steps))


PLAIN, INVERSE = Data.PLAIN, Data.INVERSE
SS_IN_SINGLE_PASSES = (
    single_passes(PLAIN, INVERSE, ascending=True),
    single_passes(INVERSE, PLAIN, ascending=True),
    single_passes(PLAIN, INVERSE, ascending=False),
    single_passes(INVERSE, PLAIN, ascending=False),
    SS[-1],
)

SEQUENCES = {
    "C- x1": lambda: march_steps(C_MINUS, 1),
    "C- x8": lambda: march_steps(C_MINUS, 8),
    "C- x40": lambda: march_steps(C_MINUS, 40),
    "reread x8": lambda: march_steps(REREAD, 8),
    "SS x4": lambda: march_steps(SS, 4),
    "SS x4, four blocks": lambda: march_steps(SS, 4, WORDS // 4),
    "SS x4, single passes": lambda: march_steps(SS_IN_SINGLE_PASSES, 4),
    "permuted x16": lambda: permuted_steps(16),
    "permuted x64": lambda: permuted_steps(64),
    "chase, 2 laps, links not renewed": lambda: chase_steps(2, renew=False),
    "chase x16": lambda: chase_steps(16),
    "chase x64": lambda: chase_steps(64),
}

ALL = dict.fromkeys(CLASSES, 100)
CHANCE = 7
"""Per cent that a random background may add or take; what is certain (0 or 100) must be met exactly."""

# Own derivations: one march has an even chance for each coupling inside a word, k miss 2^-k of them; of k + 1 random
# bits in a row (zero first) 2^-k have no two alike in succession, and for k = 8 (55 + 34) / 512 have no such pair of a
# given value.  Permuted sweeps, and the
# links not renewed, as an independent simulation gave them (there, reads disturbed both values: RDF and DRDF all).
FOUND = {
    "C- x1": ALL | {"CFid intra": 50, "CFst intra": 50, "DRDF": 0, "WDF": 50, "WDF by value": 25},
    "C- x8": ALL | {"CFid intra": 99.6, "CFst intra": 99.6, "DRDF": 0, "WDF": 99.6, "WDF by value": 82.6},
    "C- x40": ALL | {"DRDF": 0},
    "reread x8": ALL | {"CFid intra": 99.6, "CFst intra": 99.6, "WDF": 99.6, "WDF by value": 85},
    "SS x4": ALL | {"CFid intra": 93.75, "CFst intra": 93.75},
    "SS x4, four blocks": ALL | {"CFid intra": 93.75, "CFst intra": 93.75},
    "SS x4, single passes": ALL | {"CFid inter": 93, "CFid intra": 93.75, "CFst intra": 93.75},
    "permuted x16": ALL
    | {"TF": 99.9, "CFid inter": 93, "CFid intra": 94, "CFst intra": 99.5, "DRDF": 0, "WDF by value": 97},
    "permuted x64": ALL | {"CFid inter": 99.9, "CFid intra": 99.9, "DRDF": 0},
    "chase x16": ALL
    | {"TF": 99.9, "CFid inter": 93, "CFst inter": 99.9, "CFid intra": 94, "CFst intra": 99.5}
    | {"DRDF": 0, "WDF": 99.9, "WDF by value": 97},
    "chase x64": ALL | {"CFid inter": 99.9, "CFid intra": 99.9, "DRDF": 0},
    "chase, 2 laps, links not renewed": ALL
    | {"SAF": 50, "TF": 25, "CFin inter": 13, "CFid inter": 6, "CFst inter": 32, "CFid intra": 12, "CFst intra": 25}
    | {"address map": 99.6, "address multi": 95, "RDF": 50, "DRDF": 50, "WDF": 50, "WDF by value": 25},
}


@pytest.mark.parametrize("name", CLASSES)
@pytest.mark.parametrize("sequence", SEQUENCES)
def test_a_sequence_finds_what_theory_says_of_each_class(sequence, name):
    found, known = share_found(name, SEQUENCES[sequence]()), FOUND[sequence][name]
    assert found == pytest.approx(known, abs=CHANCE if 0 < known < 100 else 0)


@pytest.mark.parametrize("sequence", SEQUENCES)
def test_a_sound_memory_raises_no_alarm(sequence):
    memory = Faulty([(0, 0, 0)])
    for word, expected, written in SEQUENCES[sequence]():
        if expected is not None:
            assert memory.read(word)[0] == expected >> SHIFT & BYTE
        if written is not None:
            memory.write(word, written >> SHIFT & BYTE)


def test_every_permuted_sweep_visits_every_word_once():
    words = [word for word, *_ in permuted_steps(3)]
    laps = [words[at : at + WORDS] for at in range(0, len(words), WORDS)]
    assert all(sorted(lap) == list(range(WORDS)) for lap in laps)
    assert laps[1] != laps[2]
