"""Memory workload: eight chains of dependent loads over a worker's share; `links` says what a link is.

What a chain loads decides where it goes next, so address and data are tested in one.  A lap visits each line of the
share exactly once; laps renew every link, in an order and on a background that are new each time.
"""

from __future__ import annotations

import ctypes
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from soakd.workloads.base import Fault
from soakd.workloads.memory import links, pieces
from soakd.workloads.memory.links import LINE_WORDS
from soakd.workloads.memory.march import KNOWN, RENEWED, Background
from soakd.workloads.memory.order import Order, Region, regions
from soakd.workloads.memory.pieces import LINE_BYTES, WORD_BYTES, flushes, own
from soakd.workloads.memory.places import Places
from soakd.workloads.memory.share import Share
from soakd.workloads.memory.sweeper import Parameters
from soakd.workloads.memory.tasks import CHUNK_BYTES, MemoryProgram, Stretch

if TYPE_CHECKING:
    from collections.abc import Mapping

    from soakd.workloads.base import Beat
    from soakd.workloads.classes import InstructionClass
    from soakd.workloads.ir import Kernel

CHAINS: Final = 8
_FILL_LINES: Final = 1 << 17
_KNOWN_LINES: Final = 64
_PLANTED: Final = 1 << 41 | 1 << 3
"""One bit that decides where the link leads, one that does not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Links:
    """What the lines of one region hold: links of one order, in one word of each line, under one background."""

    order: Order
    background: Background
    word: int
    """Which word of each line."""

    @classmethod
    def fresh(cls, region: Region) -> Links:
        """Draw everything anew."""
        background = Background.fresh()
        return cls(order=Order.fresh(region), background=background, word=background.mask % LINE_WORDS)

    @property
    def first(self) -> int:
        """Word of the share that holds the region's first link."""
        return self.order.region.first * LINE_WORDS + self.word

    def place(self, index: int) -> int:
        """Word of the share that holds the link of the order's value `index`."""
        return self.first + self.order.region.folded(index) * LINE_WORDS

    def link(self, index: int) -> int:
        """Return the 64-bit pattern of that link."""
        return self.order.follow(index) ^ self.background.word(self.place(index))


class Chaser:
    """Runs the link kernels over stretches of a lap."""

    def __init__(self, kernels: Mapping[str, Kernel], chains: int, address: int, places: Places) -> None:
        self.chains = chains
        self._kernels = kernels
        self._address = address
        self._places = places
        self._parameters = Parameters(chains)

    def _set(self, now: Links, new: Links, starts: list[int]) -> int:
        """Set all parameters; returns the place of the first start in the block."""
        words = self._parameters.words
        self._parameters.grounds(0, now.background, new.background)
        words[pieces.BASE] = self._address + now.first * WORD_BYTES
        words[pieces.READ_PRODUCT] = now.background.product(now.first)
        words[pieces.WRITE_PRODUCT] = new.background.product(new.first)
        region = now.order.region
        orders = (now.order.multiplier, now.order.increment, new.order.multiplier, new.order.increment)
        values = (self._address + new.first * WORD_BYTES, *orders, region.lines - 1, region.fold)
        at = own(self.chains, 0)
        words[at : at + len(values) + len(starts)] = [*values, *starts]
        return at + len(values)

    def fill(self, new: Links, begin: int, end: int) -> None:
        """Write the links of lines begin..end of a region."""
        self._set(new, new, [begin])
        self._kernels[links.LINKS](self._parameters.address, end - begin)

    def starts(self, order: Order, step: int) -> list[int]:
        """Where each chain stands after so many steps of a lap."""
        return order.spaced(step, order.region.lines // self.chains, self.chains)

    def run(self, now: Links, new: Links, step: int, count: int) -> tuple[int, list[Fault]]:
        """Follow each chain by `count` links from `step` on; returns how many were wrong (at least) and those kept."""
        at = self._set(now, new, self.starts(now.order, step))
        self._kernels[links.CHASE](self._parameters.address, count)
        share = now.order.region.lines // self.chains
        wrong, faults = self._parameters.faults(
            self._places,
            lambda number, chain: now.place(now.order.at(chain * share + step + number)),
            lambda number, chain: now.link(now.order.at(chain * share + step + number)),
        )
        reached = self._parameters.words[at : at + self.chains]
        for chain, (right, found) in enumerate(zip(self.starts(now.order, step + count), reached, strict=True)):
            if found != right:
                faults.append(Fault(where=f"place reached by chain {chain}", expected=right, actual=found))
                wrong += 1
        return wrong, faults


class ChaseWalk:
    """The place in a lap: region and step."""

    def __init__(self, chaser: Chaser, lines: int) -> None:
        self._chaser = chaser
        self.step_bytes = chaser.chains * LINE_BYTES
        self._now = [Links.fresh(region) for region in regions(lines)]
        self._region = self._step = 0
        self._new = Links.fresh(self.now.order.region)

    @property
    def now(self) -> Links:
        """The links that are followed."""
        return self._now[self._region]

    def open(self, beat: Beat) -> None:
        """Write the first links."""
        for held in self._now:
            for begin in range(0, held.order.region.lines, _FILL_LINES):
                self._chaser.fill(held, begin, min(begin + _FILL_LINES, held.order.region.lines))
                beat()

    def advance(self, steps: int) -> Stretch:
        """Follow each chain by up to so many links, to the end of the region at most."""
        length = self.now.order.region.lines // self._chaser.chains
        count = min(steps, length - self._step)
        wrong, faults = self._chaser.run(self.now, self._new, self._step, count)
        self._step += count
        return Stretch(
            steps=count,
            bytes_moved=2 * count * self._chaser.chains * WORD_BYTES,
            wrong=wrong,
            faults=faults,
            sweeps=self._end_region() if self._step == length else 0,
        )

    def _end_region(self) -> int:
        self._now[self._region] = self._new
        self._step = 0
        self._region = (self._region + 1) % len(self._now)
        self._new = Links.fresh(self.now.order.region)
        return 0 if self._region else 1

    def upcoming(self, place: int) -> int:
        """Choose a byte of the first chain's next link."""
        return self.now.place(self.now.order.at(self._step)) * WORD_BYTES + place % WORD_BYTES


class ChaseDesign:
    """So many chains of links; the code is scalar in every class."""

    kernels: tuple[str, ...] = links.KERNELS
    unit_bytes = CHUNK_BYTES

    def __init__(self, target: InstructionClass, chains: int) -> None:
        """`chains`: a power of two, 16 at most (eight are as fast as sixteen)."""
        name = "chase" if chains == CHAINS else f"chase of {chains}"
        self.name = f"memory/{name} ({target.name})"
        self._target = target
        self._chains = chains

    def text(self) -> str:
        """Both link kernels."""
        return links.kernels_text(self._chains, flushed=flushes(self._target))

    def _chaser(self, kernels: Mapping[str, Kernel], share: Share) -> Chaser:
        places = Places(share.address, share.size_bytes, flushed=flushes(self._target))
        return Chaser(kernels, self._chains, share.address, places)

    def walk(self, kernels: Mapping[str, Kernel], share: Share, beat: Beat) -> ChaseWalk:
        """Fill the share with links."""
        walk = ChaseWalk(self._chaser(kernels, share), share.size_bytes // LINE_BYTES)
        walk.open(beat)
        return walk

    def complaint(self, kernels: Mapping[str, Kernel]) -> tuple[str, str] | None:
        """Write a few links, spoil one, and follow them all."""
        region = Region(first=_KNOWN_LINES, bits=_KNOWN_LINES.bit_length() - 1)
        now = Links(order=Order(region=region, multiplier=13, increment=7), background=KNOWN, word=2)
        new = Links(order=Order(region=region, multiplier=29, increment=11), background=RENEWED, word=5)
        share = Share(CHUNK_BYTES, lambda: None)
        buffer = (ctypes.c_uint64 * (2 * _KNOWN_LINES * LINE_WORDS)).from_address(share.address)
        chaser = self._chaser(kernels, share)
        chaser.fill(now, 0, _KNOWN_LINES)
        if any(buffer[now.place(x)] != now.link(x) for x in range(_KNOWN_LINES)):
            return links.LINKS, "it does not leave the links it should"
        planted = _KNOWN_LINES - 3
        buffer[now.place(planted)] ^= _PLANTED
        _, faults = chaser.run(now, new, 0, _KNOWN_LINES // self._chains)
        found = [(fault.expected, fault.actual) for fault in faults]
        if any(buffer[new.place(x)] != new.link(x) for x in range(_KNOWN_LINES)):
            return links.CHASE, "it does not leave the links it should"
        right = found == [(now.link(planted), now.link(planted) ^ _PLANTED)]
        return None if right else (links.CHASE, f"one planted fault, {len(found)} reported")


def build(target: InstructionClass, *, chains: int = CHAINS, text: str | None = None) -> MemoryProgram:
    """Compile the kernels for one class and number of chains; `text` replaces them (a test's broken variant)."""
    return MemoryProgram(ChaseDesign(target, chains), target, text=text)
