"""The march finds the faults that theory says it finds, and not those it cannot, on a simulated faulty memory.

The simulator is this file's own; from the project it takes only the element sequence and the backgrounds.  Fault
classes after A. J. van de Goor, "Using March Tests to Test SRAMs", IEEE Design & Test 10(1), 1993 (SAF, TF, AF, CFin,
CFid, CFst, SOF) and S. Hamdioui, A. J. van de Goor, M. Rodgers, "March SS", MTDT 2002 (the read, write and disturb
primitives).  Both say of March C-: SAF, TF, AF, CFin, CFid, CFst all; SOF in part; DRDF and WDF none.
"""

from __future__ import annotations

import itertools
import random
from collections import Counter

import pytest

from soakd.workloads.memory.march import C_MINUS, OPENING, REREAD, SS, Background, Data, Element, Pass

CELLS = 4
BITS = (0, 1)


class Memory:
    """One-bit cells without a fault; each fault overrides what it breaks."""

    def __init__(self, contents):
        self.cells = list(contents)

    def write(self, cell, value):
        self.cells[cell] = value

    def read(self, cell):
        return self.cells[cell]


class StuckAt(Memory):
    def __init__(self, contents, cell, value):
        super().__init__(contents)
        self.cell, self.value = cell, value

    def read(self, cell):
        return self.value if cell == self.cell else super().read(cell)


class Transition(Memory):
    """Writing `value` over its complement fails."""

    def __init__(self, contents, cell, value):
        super().__init__(contents)
        self.cell, self.value = cell, value

    def write(self, cell, value):
        if not (cell == self.cell and value == self.value):
            super().write(cell, value)


class StuckOpen(Memory):
    """The cell cannot be reached; a read returns what the sense amplifier last saw."""

    def __init__(self, contents, cell, sensed=0):
        super().__init__(contents)
        self.cell, self.sensed = cell, sensed

    def read(self, cell):
        if cell != self.cell:
            self.sensed = super().read(cell)
        return self.sensed

    def write(self, cell, value):
        if cell != self.cell:
            super().write(cell, value)


class NoCell(Memory):
    """An address that reaches no cell reads as a constant."""

    def __init__(self, contents, cell, value):
        super().__init__(contents)
        self.cell, self.value = cell, value

    def read(self, cell):
        return self.value if cell == self.cell else super().read(cell)

    def write(self, cell, value):
        if cell != self.cell:
            super().write(cell, value)


class WrongCell(Memory):
    """An address that reaches another address's cell."""

    def __init__(self, contents, cell, other):
        super().__init__(contents)
        self.cell, self.other = cell, other

    def read(self, cell):
        return super().read(self.other if cell == self.cell else cell)

    def write(self, cell, value):
        super().write(self.other if cell == self.cell else cell, value)


class TwoCells(Memory):
    """An address that reaches its own cell and another; reads are a wired and, or a wired or."""

    def __init__(self, contents, cell, other, wired_or):
        super().__init__(contents)
        self.cell, self.other, self.join = cell, other, max if wired_or else min

    def read(self, cell):
        own = super().read(cell)
        return self.join(own, self.cells[self.other]) if cell == self.cell else own

    def write(self, cell, value):
        super().write(cell, value)
        if cell == self.cell:
            super().write(self.other, value)


class ReadFault(Memory):
    """Reading `value` from the cell: RDF flips it and returns the flipped, IRF only returns it, DRDF only flips."""

    def __init__(self, contents, cell, value, *, flips, lies):
        super().__init__(contents)
        self.cell, self.value, self.flips, self.lies = cell, value, flips, lies

    def active(self, cell):
        return cell == self.cell and self.cells[cell] == self.value

    def read(self, cell):
        if not self.active(cell):
            return super().read(cell)
        if self.flips:
            self.cells[cell] ^= 1
        return self.value ^ self.lies


class WriteDisturb(Memory):
    """Writing `value` over the same value flips the cell."""

    def __init__(self, contents, cell, value):
        super().__init__(contents)
        self.cell, self.value = cell, value

    def active(self, cell, value):
        return cell == self.cell and value == self.value == self.cells[cell]

    def write(self, cell, value):
        super().write(cell, value ^ 1 if self.active(cell, value) else value)


class Coupling(Memory):
    """Base of two-cell faults."""

    def __init__(self, contents, aggressor, victim):
        super().__init__(contents)
        self.aggressor, self.victim = aggressor, victim


class CouplingInversion(Coupling):
    def __init__(self, contents, aggressor, victim, edge):
        super().__init__(contents, aggressor, victim)
        self.edge = edge

    def write(self, cell, value):
        before = self.cells[cell]
        super().write(cell, value)
        if cell == self.aggressor and before != value == self.edge:
            self.cells[self.victim] ^= 1


class CouplingIdempotent(CouplingInversion):
    def __init__(self, contents, aggressor, victim, edge, value):
        super().__init__(contents, aggressor, victim, edge)
        self.value = value

    def write(self, cell, value):
        before = self.cells[cell]
        Memory.write(self, cell, value)
        if cell == self.aggressor and before != value == self.edge:
            self.cells[self.victim] = self.value


class CouplingState(Coupling):
    """While the aggressor holds `state`, the victim is forced to `value`."""

    def __init__(self, contents, aggressor, victim, state, value):
        super().__init__(contents, aggressor, victim)
        self.state, self.value = state, value
        self.force()

    def force(self):
        if self.cells[self.aggressor] == self.state:
            self.cells[self.victim] = self.value

    def write(self, cell, value):
        super().write(cell, value)
        self.force()


class DisturbByWrite(Coupling):
    """A write of `value` over the same value to the aggressor flips a victim that holds `state`."""

    def __init__(self, contents, aggressor, victim, value, state):
        super().__init__(contents, aggressor, victim)
        self.value, self.state = value, state

    def write(self, cell, value):
        same = cell == self.aggressor and value == self.value == self.cells[cell]
        super().write(cell, value)
        if same and self.cells[self.victim] == self.state:
            self.cells[self.victim] ^= 1


class DisturbByRead(DisturbByWrite):
    """A read of `value` from the aggressor flips a victim that holds `state`."""

    def write(self, cell, value):
        Memory.write(self, cell, value)

    def read(self, cell):
        value = super().read(cell)
        if cell == self.aggressor and value == self.value and self.cells[self.victim] == self.state:
            self.cells[self.victim] ^= 1
        return value


class Conditional(Coupling):
    """A single-cell fault of the victim that acts only while the aggressor holds `state`."""

    def __init__(self, contents, aggressor, victim, state, fault):
        super().__init__(contents, aggressor, victim)
        self.state = state
        self.inner = fault(self.cells, victim)
        self.inner.cells = self.cells

    def on(self, cell):
        return cell == self.victim and self.cells[self.aggressor] == self.state

    def read(self, cell):
        return self.inner.read(cell) if self.on(cell) else super().read(cell)

    def write(self, cell, value):
        if self.on(cell):
            self.inner.write(cell, value)
        else:
            super().write(cell, value)


def single(fault, *arguments, **flags):
    return [lambda start, c=c, v=v: fault(start, c, v, *arguments, **flags) for c in range(CELLS) for v in BITS]


def pairs():
    return itertools.permutations(range(CELLS), 2)


def coupled(fault, *parameters):
    return [
        lambda start, a=a, v=v, rest=rest: fault(start, a, v, *rest)
        for a, v in pairs()
        for rest in itertools.product(*parameters)
    ]


def conditional(fault, **flags):
    return [
        lambda start, a=a, v=v, s=s, x=x: Conditional(start, a, v, s, lambda cells, c: fault(cells, c, x, **flags))
        for a, v in pairs()
        for s in BITS
        for x in BITS
    ]


RDF, IRF, DRDF = ({"flips": True, "lies": 1}, {"flips": False, "lies": 1}, {"flips": True, "lies": 0})

FAULTS = {
    "SAF": single(StuckAt),
    "TF": single(Transition),
    "SOF": [lambda start, c=c: StuckOpen(start, c) for c in range(CELLS)],
    "AF none": single(NoCell),
    "AF other": coupled(WrongCell),
    "AF both": coupled(TwoCells, (False, True)),
    "RDF": single(ReadFault, **RDF),
    "IRF": single(ReadFault, **IRF),
    "DRDF": single(ReadFault, **DRDF),
    "WDF": single(WriteDisturb),
    "CFin": coupled(CouplingInversion, BITS),
    "CFid": coupled(CouplingIdempotent, BITS, BITS),
    "CFst": coupled(CouplingState, BITS, BITS),
    "CFds write": coupled(DisturbByWrite, BITS, BITS),
    "CFds read": coupled(DisturbByRead, BITS, BITS),
    "CFtr": conditional(Transition),
    "CFwd": conditional(WriteDisturb),
    "CFrd": conditional(ReadFault, **RDF),
    "CFir": conditional(ReadFault, **IRF),
    "CFdrd": conditional(ReadFault, **DRDF),
}

MARCH_C_MINUS = {
    "SAF": (8, 8),
    "TF": (8, 8),
    "SOF": (2, 4),
    "AF none": (8, 8),
    "AF other": (12, 12),
    "AF both": (24, 24),
    "RDF": (8, 8),
    "IRF": (8, 8),
    "DRDF": (0, 8),
    "WDF": (0, 8),
    "CFin": (24, 24),
    "CFid": (48, 48),
    "CFst": (48, 48),
    "CFds write": (0, 48),
    "CFds read": (48, 48),
    "CFtr": (48, 48),
    "CFwd": (0, 48),
    "CFrd": (48, 48),
    "CFir": (48, 48),
    "CFdrd": (0, 48),
}
"""Detected / injected: an exhaustive simulation made with another program, in agreement with the claims cited above."""

MARCH_SS = {name: (found if name == "SOF" else of, of) for name, (found, of) in MARCH_C_MINUS.items()}
"""The same source: all single-cell and two-cell static faults; stuck-open cells are not among those."""

REREADING = MARCH_C_MINUS | {"SOF": (4, 4), "DRDF": (8, 8), "CFdrd": (48, 48)}
"""Own simulation: like the published March Y and extended March C-, which also read what they have just written."""

PASS_LEVEL = {
    "reread": (REREAD, REREADING | {"SOF": (2, 4), "CFdrd": (24, 48)}),
    "ss": (SS, MARCH_SS | {"CFds write": (24, 48), "CFwd": (24, 48), "CFdrd": (24, 48)}),
}
"""Own simulation, all cells in one block: half of what needs neighbours that differ is lost on a solid background."""

COVERED = [name for name, (found, of) in MARCH_C_MINUS.items() if found == of]

OPENING_ELEMENT = Element(ascending=True, passes=(OPENING,))


def run(memory, element, backgrounds, block=1) -> bool:
    """One element over blocks of so many cells; `backgrounds`: each data symbol's cells. True when a read was wrong."""
    order = range(CELLS) if element.ascending else range(CELLS - 1, -1, -1)
    wrong = False
    for first in range(0, CELLS, block):
        for step in element.passes:
            for cell in order[first : first + block]:
                if step.reads is not None:
                    wrong |= memory.read(cell) != backgrounds[step.reads][cell]
                if step.writes is not None:
                    memory.write(cell, backgrounds[step.writes][cell])
    return wrong


def symbols(plain, following=None):
    return {Data.PLAIN: plain, Data.INVERSE: tuple(bit ^ 1 for bit in plain), Data.NEXT: following}


def always_found(make, sequences, backgrounds, block=1) -> bool:
    for contents in itertools.product(BITS, repeat=CELLS):
        for sequence in sequences:
            memory = make(contents)
            if not any(run(memory, element, backgrounds, block) for element in sequence):
                return False
    return True


def one_march(cycle):
    """The project's elements as one march that ends with a read, both orders where the literature allows either."""
    read = Pass(reads=cycle[-1].passes[0].reads, writes=None)
    for first, last in itertools.product((True, False), repeat=2):
        opening, closing = Element(ascending=first, passes=(OPENING,)), Element(ascending=last, passes=(read,))
        yield [opening, *cycle[:-1], closing]


def operations(cycle):
    """The whole march in the notation of the literature."""
    letters = {Data.PLAIN: "0", Data.INVERSE: "1", Data.NEXT: "0'"}
    return [
        (
            "up" if element.ascending else "down",
            ",".join(
                way + letters[data]
                for step in element.passes
                for way, data in (("r", step.reads), ("w", step.writes))
                if data is not None
            ),
        )
        for element in (OPENING_ELEMENT, *cycle)
    ]


def test_the_sequences_are_the_published_ones():
    """March C-: van de Goor 1993; March SS: Hamdioui 2002; the closing read fused with the next opening write."""
    assert operations(C_MINUS) == [
        ("up", "w0"),
        ("up", "r0,w1"),
        ("up", "r1,w0"),
        ("down", "r0,w1"),
        ("down", "r1,w0"),
        ("up", "r0,w0'"),
    ]
    assert operations(SS) == [
        ("up", "w0"),
        ("up", "r0,r0,w0,r0,w1"),
        ("up", "r1,r1,w1,r1,w0"),
        ("down", "r0,r0,w0,r0,w1"),
        ("down", "r1,r1,w1,r1,w0"),
        ("up", "r0,w0'"),
    ]


def test_rereading_is_march_c_minus_with_one_more_read_of_what_each_pass_wrote():
    for plain, again in zip(C_MINUS, REREAD, strict=True):
        assert (again.ascending, again.passes[0]) == (plain.ascending, plain.passes[0])
        assert again.passes[1:] == (Pass(reads=plain.passes[0].writes, writes=None),)


BY_CELL = {"C-": (C_MINUS, MARCH_C_MINUS), "SS": (SS, MARCH_SS), "reread": (REREAD, REREADING)}


@pytest.mark.parametrize("name", FAULTS)
@pytest.mark.parametrize("march", BY_CELL)
def test_one_march_finds_exactly_the_known_classes_where_blocks_are_single_cells(march, name):
    """So it is between blocks: one block is done with before the next is touched."""
    cycle, table = BY_CELL[march]
    found = sum(always_found(make, list(one_march(cycle)), symbols((0,) * CELLS)) for make in FAULTS[name])
    assert (found, len(FAULTS[name])) == table[name]


@pytest.mark.parametrize("name", FAULTS)
@pytest.mark.parametrize("march", PASS_LEVEL)
def test_within_a_block_a_solid_background_loses_what_needs_neighbours_that_differ(march, name):
    cycle, table = PASS_LEVEL[march]
    found = sum(always_found(make, list(one_march(cycle)), symbols((0,) * CELLS), CELLS) for make in FAULTS[name])
    assert (found, len(FAULTS[name])) == table[name]


@pytest.mark.parametrize("name", FAULTS)
@pytest.mark.parametrize("march", PASS_LEVEL)
def test_within_a_block_changing_backgrounds_find_all_that_the_march_finds_cell_by_cell(march, name):
    cycle, table = PASS_LEVEL[march][0], BY_CELL[{"ss": "SS"}.get(march, march)][1]
    grounds = [symbols(plain, plain[::-1]) for plain in itertools.product(BITS, repeat=CELLS)]
    found = sum(
        any(always_found(make, [[OPENING_ELEMENT, *cycle]], ground, CELLS) for ground in grounds)
        for make in FAULTS[name]
    )
    assert found >= table[name][0]


@pytest.mark.parametrize("name", COVERED)
def test_marches_chained_without_a_separate_closing_read_find_as_much(name):
    """Whatever background comes next, cell by cell, and whatever this one is: nothing covered is lost."""
    rng = random.Random(5)
    grounds = [(0,) * CELLS, (1,) * CELLS, *(tuple(rng.choices(BITS, k=CELLS)) for _ in range(2))]
    for plain, following in itertools.product(grounds, itertools.product(BITS, repeat=CELLS)):
        cycle = [[OPENING_ELEMENT, *C_MINUS]]
        assert all(always_found(make, cycle, symbols(plain, following)) for make in FAULTS[name])


class Linked(Coupling):
    """Two coupling faults on one victim: each (aggressor, edge, effect), effect 2 being an inversion."""

    def __init__(self, contents, victim, *couplings):
        super().__init__(contents, None, victim)
        self.couplings = couplings

    def write(self, cell, value):
        before = self.cells[cell]
        super().write(cell, value)
        for aggressor, edge, effect in self.couplings:
            if cell == aggressor and before != value == edge:
                self.cells[self.victim] = effect if effect in BITS else self.cells[self.victim] ^ 1


def linked_pairs():
    for victim in (1, 2):
        others = [cell for cell in range(CELLS) if cell != victim]
        singles = list(itertools.product(others, BITS, (0, 1, 2)))
        for two in itertools.combinations(singles, 2):
            yield lambda start, victim=victim, two=two: Linked(start, victim, *two)


def test_the_closing_pass_ascends_because_a_descending_one_would_lose_linked_faults():
    descending = Element(ascending=False, passes=C_MINUS[-1].passes)
    grounds = symbols((0,) * CELLS, (1,) * CELLS)
    found_apart = [make for make in linked_pairs() if always_found(make, list(one_march(C_MINUS)), grounds)]
    assert len(found_apart) > 200
    assert all(always_found(make, [[OPENING_ELEMENT, *C_MINUS]], grounds) for make in found_apart)
    assert not all(always_found(make, [[OPENING_ELEMENT, *C_MINUS[:-1], descending]], grounds) for make in found_apart)


# Words: the same elements on an array of words, with the project's address-dependent backgrounds.
WORDS, WIDTH = 8, 8


class WordMemory:
    """Words of bits; `bits` maps (word, bit) through a coupling of two bits of one word."""

    def __init__(self, word, aggressor, victim, edge, value):
        self.words = [0] * WORDS
        self.at, self.aggressor, self.victim, self.edge, self.value = word, aggressor, victim, edge, value

    def write(self, index, pattern):
        before = self.words[index]
        self.words[index] = pattern
        if index != self.at:
            return
        bit = pattern >> self.aggressor & 1
        if bit == self.edge and (before >> self.aggressor & 1) != bit:
            self.words[index] = pattern & ~(1 << self.victim) | self.value << self.victim


def march_words(memory, ground, following, translate=lambda index: index) -> bool:
    inverse = ground.inverse()
    grounds = {Data.PLAIN: ground, Data.INVERSE: inverse, Data.NEXT: following}
    wrong = False
    for element in C_MINUS:
        (step,) = element.passes
        order = range(WORDS) if element.ascending else range(WORDS - 1, -1, -1)
        for index in order:
            expected = grounds[step.reads].word(index) % (1 << WIDTH)
            wrong |= memory.words[translate(index)] != expected
            memory.write(translate(index), grounds[step.writes].word(index) % (1 << WIDTH))
    return wrong


def seeded_grounds(seed, count):
    rng = random.Random(seed)
    return [Background(factor=rng.getrandbits(64) | 1, mask=rng.getrandbits(64)) for _ in range(count)]


def fill(memory, ground, translate=lambda index: index):
    for index in range(WORDS):
        memory.write(translate(index), ground.word(index) % (1 << WIDTH))


def test_coupling_inside_a_word_needs_and_gets_several_backgrounds():
    """One march finds part of it, a night of marches all: each background has an even chance for each ordered pair."""
    grounds, first_found, total = seeded_grounds(11, 25), Counter(), 0
    for word, (a, v), edge, value in itertools.product(
        range(WORDS), itertools.permutations(range(WIDTH), 2), BITS, BITS
    ):
        memory = WordMemory(word, a, v, edge, value)
        fill(memory, grounds[0])
        hits = [march_words(memory, *grounds[i : i + 2]) for i in range(24)]
        total += 1
        first_found[hits.index(True) if True in hits else None] += 1
    assert 0 < first_found[0] < total
    assert first_found[None] == 0


@pytest.mark.parametrize(("lost", "seen_as"), [(0, 1), (7, 3), (5, 4), (2, 6)])
def test_an_address_that_reaches_another_word_is_found_in_the_first_march(lost, seen_as):
    memory = WordMemory(-1, 0, 1, 0, 0)
    grounds = seeded_grounds(13, 2)
    fill(memory, grounds[0], lambda index: seen_as if index == lost else index)
    assert march_words(memory, *grounds, lambda index: seen_as if index == lost else index)


def test_a_sound_memory_raises_no_alarm():
    memory, grounds = WordMemory(-1, 0, 1, 0, 0), seeded_grounds(17, 20)
    fill(memory, grounds[0])
    assert not any(march_words(memory, *grounds[i : i + 2]) for i in range(19))


def test_no_two_words_of_a_background_are_alike_and_its_inverse_is_one():
    ground = Background.fresh()
    patterns = [ground.word(i) for i in range(1 << 14)]
    assert len(set(patterns)) == len(patterns)
    assert all(ground.inverse().word(i) == ~patterns[i] % (1 << 64) for i in range(100))
    assert ground.factor % 2
    assert ground != Background.fresh()
