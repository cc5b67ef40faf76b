"""What a drafted plan is made of: stages for the operating points, for transitions, exchange and memory.

In a group of up to g active cores a stage on g of n cores visits g points at once, and no stage visits more. For
every core to be visited for a time t, these stages need n · t / g together. As each stage is in one group and one
width, the best t is the time there is, divided by the sum of n / g over groups and widths. It is reached with windows
of g cores that go round the n cores: n / gcd(n, g) windows, with every core in g / gcd(n, g) of them.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from itertools import chain
from math import gcd
from typing import TYPE_CHECKING, Any, Final

from soakd.model.pace import ROUND_S
from soakd.rules.point_words import core_text, group_text, spans, width_text
from soakd.rules.points import POINT_KINDS, groups, register_bits, register_widths, widths_to_visit

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from soakd.model.sheet import Sheet

TRANSITIONS_SHARE: Final = 0.10
EXCHANGE_SHARE: Final = 0.05
MEMORY_SHARE: Final = 0.20
"""Shares of the hours that are set aside before the points share the rest; near what the shipped plans give (pulses,
steps and surprises 6 to 8 %, exchange 2 to 4 %, memory 21 to 25 %). Common practice, no source."""
SHORTEST_S: Final = 10.0
"""No stage and no core's turn is shorter: a core's clock and voltage have to settle (common practice, no source)."""
SHORTEST_STEP_S: Final = 4 * ROUND_S
"""In steps it is the change that matters."""
SHORTEST_SWEEP_S: Final = 60.0
"""Memory has to be swept as a whole."""
MEMORY_PERCENT: Final = 80.0
"""Of what is available, as in the shipped night."""
PERIODS_S: Final = (0.01, 0.1, 1.0)
"""Of pulses: how a supply rings depends on the rate."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """The bench that a plan is drafted for."""

    cores: Sequence[int]
    """Logical cores that may be used."""
    physical: Mapping[int, int]
    """Logical core to its physical one, where that is not its own number."""
    classes: Mapping[str, Sequence[str]]
    """Kernel to the instruction classes that this core has for it, narrowest first."""

    @property
    def threads(self) -> dict[int, tuple[int, ...]]:
        """Physical core to its logical ones."""
        found: dict[int, tuple[int, ...]] = defaultdict(tuple)
        for core in sorted(self.cores):
            found[self.physical.get(core, core)] += (core,)
        return dict(sorted(found.items()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A stage before it has its time."""

    name: str
    why: str
    share: float
    """Of all the time."""
    fields: Mapping[str, Any]
    """Of the stage."""
    turns: int = 0
    """Cores that take turns; 0 where all are loaded at once."""
    shortest_s: float = SHORTEST_S
    """Of the stage, or of each turn."""


def parts_for(sheet: Sheet, ground: Ground) -> tuple[Part, ...]:
    """Most heat first, so that what follows runs on a warm bench. What this bench cannot run is left out."""
    aside = tuple(chain(_transitions(ground), _exchange(ground), _memory(ground)))
    return (*_points(sheet, ground, 1.0 - sum(part.share for part in aside)), *aside)


def _points(sheet: Sheet, ground: Ground, share: float) -> Iterator[Part]:
    """Widest registers and most cores first."""
    threads, widths = ground.threads, widths_to_visit(sheet.clocks, register_widths(ground.classes))
    count = len(threads)
    named = groups(sheet.clocks, count)
    visit = share / (len(widths) * sum(count / most for most in named))
    for width in reversed(widths):
        load = _load(ground.classes, width)
        for span in reversed(spans(named)):
            if span[1] == 1 < count:
                yield _alone(threads, width_text(width), load, visit * count)
            else:
                yield from _windows(threads, span, width_text(width), load, visit)


def _alone(threads: Mapping[int, tuple[int, ...]], how: str, load: Mapping[str, Any], share: float) -> Part:
    firsts = tuple(logical[0] for logical in threads.values())
    why = "Each core alone reaches clocks that it never sees beside others."
    fields = {**load, **_on(firsts, threads), "pattern": "walking"}
    return Part(name=f"{how}, one core after another", why=why, share=share, fields=fields, turns=len(firsts))


def _windows(
    threads: Mapping[int, tuple[int, ...]], span: tuple[int, int], how: str, load: Mapping[str, Any], visit: float
) -> Iterator[Part]:
    """So many cores together, and on round the bench, until every core was visited equally often."""
    cores, size = tuple(threads), span[1]
    common = gcd(len(cores), size)
    why = "All cores at once: most heat and current." if size == len(cores) else _why_windows(size, size // common)
    for turn in range(len(cores) // common):
        window = sorted(cores[(turn * size + seat) % len(cores)] for seat in range(size))
        logical = tuple(sorted(chain.from_iterable(threads[core] for core in window)))
        among = "" if size == len(cores) else f"{group_text(span)}: "
        name = f"{how}, {among}{core_text(window, cores)}"
        yield Part(name=name, why=why, share=visit * common / size, fields={**load, **_on(logical, threads)})


def _why_windows(size: int, visits: int) -> str:
    often = "once" if visits == 1 else f"{visits} times"
    return f"{size} cores at once, the most of their group, and on round the bench: every core has its turn {often}."


def _on(logical: tuple[int, ...], threads: Mapping[int, tuple[int, ...]]) -> dict[str, Any]:
    """A stage names its cores unless it has them all."""
    return {} if len(logical) == sum(map(len, threads.values())) else {"cores": logical}


def _load(classes: Mapping[str, Sequence[str]], width: int) -> dict[str, Any]:
    """A kernel and a class of this width; a kind's first kernel, which draws most, where there is a choice."""
    for kernel in sorted(classes, key=lambda kernel: kernel not in {"integer/streams", "vector/lanes"}):
        fitting = [name for name in classes[kernel] if register_bits(name) == width]
        if kernel.partition("/")[0] in POINT_KINDS and fitting:
            return {"workload": kernel, "instruction_class": fitting[-1]}
    raise AssertionError("a width comes from a kernel that has it")  # pragma: no cover


def _transitions(ground: Ground) -> Iterator[Part]:
    load = _load(ground.classes, register_widths(ground.classes)[-1])
    count = len(ground.cores)
    named: list[tuple[str, str, dict[str, Any]]] = [
        (
            f"Pulses, {1 / period_s:g} a second",
            "Load that comes and goes on all cores at once: the voltage dips and swings at every edge.",
            {"pattern": "pulsed", "period_s": period_s, "on_percent": 50.0},
        )
        for period_s in PERIODS_S
    ]
    named.append(
        (
            "Surprises",
            "Loads and rests that nothing can settle into; the seed makes it the same night again.",
            {"pattern": "random", "shortest_s": 0.01, "longest_s": 2.0, "seed": 1},
        )
    )
    if count > 1:
        why = "From each number of active cores to the next, with its own clock and current."
        named.append(("Steps, one core more each", why, {"pattern": "stepped"}))
    for name, why, pattern in named:
        stepped = pattern["pattern"] == "stepped"
        yield Part(
            name=name,
            why=why,
            share=TRANSITIONS_SHARE / len(named),
            fields={**load, **pattern},
            turns=count if stepped else 0,
            shortest_s=SHORTEST_STEP_S if stepped else SHORTEST_S,
        )


def _exchange(ground: Ground) -> Iterable[Part]:
    if len(ground.cores) == 1:
        return ()
    kernels = {"exchange/counters": "Exchange: atomic additions", "exchange/ring": "Exchange: messages"}
    why = "What one core alone never gets wrong: lines and messages that pass from core to core."
    return _equally(kernels, why, EXCHANGE_SHARE, ground)


def _memory(ground: Ground) -> Iterable[Part]:
    kernels = {"memory/march": "Memory, most of it", "memory/reread": "Memory, read twice"}
    why = "Memory last, on a warm board: stuck and coupled bits, then reads that destroy what they return."
    return _equally(kernels, why, MEMORY_SHARE, ground, SHORTEST_SWEEP_S, memory_percent=MEMORY_PERCENT)


def _equally(
    kernels: Mapping[str, str], why: str, share: float, ground: Ground, shortest_s: float = SHORTEST_S, **fields: float
) -> Iterator[Part]:
    here = {kernel: name for kernel, name in kernels.items() if ground.classes.get(kernel)}
    for kernel, name in here.items():
        yield Part(
            name=name,
            why=why,
            share=share / len(here),
            fields={"workload": kernel, **fields},
            shortest_s=shortest_s,
        )
