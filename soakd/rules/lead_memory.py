"""Leads from wrong words of memory: byte lane, direction, and what reading again says.

Byte n of a word travels in lane n of a 64-bit channel (from memory of the DDR4 and DDR5 standards).
"""

from __future__ import annotations

import math
import re
from collections import Counter
from typing import TYPE_CHECKING, Final

from soakd.rules.chances import at_least, chance_text, confidence
from soakd.rules.exposure import errors_of
from soakd.rules.leading import led

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from soakd.model.finding import WrongResult
    from soakd.model.lead import Lead
    from soakd.model.verdict import Verdict
    from soakd.rules.conditions import Place

_LANES: Final = 8
_RIGHT: Final = re.compile(r"re-reads: (\d+) right")
_WRONG: Final = re.compile(r"re-reads: (?:\d+ right, )?(\d+) wrong")
_FALSE_ALARM: Final = "found right words different"
_PERCENT: Final = 100.0


def memory_leads(verdict: Verdict, place: Place | None) -> Iterator[Lead]:
    """`place`: how surely it is memory stages alone that err; None where chance may have done it."""
    words = [f.wrong for f in verdict.reasons if f.wrong is not None and f.wrong.workload.startswith("memory/")]
    words = [word for word in words if _FALSE_ALARM not in word.where]
    told = [*_where(place), *_ways(words), *_rereads(words), *_warm(verdict), *_shares(verdict)]
    lane, count, chance = _lane(words)
    sure = confidence(chance)
    if sure is not None:
        line = (
            f"{count} of {len(words)} wrong words in byte lane {lane}; by chance in any of {_LANES} lanes: "
            f"{chance_text(chance)} (findings; exact binomial test)"
        )
        yield led("memory-lane", sure=sure, evidence=[line, *told])
        return
    sure = None if place is None else confidence(place.chance)
    line = f"{len(words)} wrong words, at most {count} of them in one byte lane (findings)"
    if sure is None:
        yield led("not-told-apart", sure="open", evidence=[line, *told])
        return
    yield led("memory", sure=sure, evidence=[line, *told])


def _lane(words: Sequence[WrongResult]) -> tuple[int, int, float]:
    """The lane that holds most words that are wrong in one lane only, how many, and the chance of it."""
    lanes = [[lane for lane in range(_LANES) if _pattern(word.flipped) >> 8 * lane & 0xFF] for word in words]
    counts = Counter(each[0] for each in lanes if len(each) == 1)
    if not counts:
        return 0, 0, 1.0
    lane, count = max(counts.items(), key=lambda each: (each[1], -each[0]))
    return lane, count, min(1.0, _LANES * at_least(count, len(words), 1.0 / _LANES))


def _pattern(text: str) -> int:
    return int(text, 16)


def _where(place: Place | None) -> Iterator[str]:
    if place is not None:
        yield (
            f"{place.inside} of {place.errors} rounds with wrong results in memory stages, which had "
            f"{_PERCENT * place.share:.0f} % of the checked load (stages)"
        )


def _ways(words: Sequence[WrongResult]) -> Iterator[str]:
    """0 to 1, 1 to 0: one way alone points at charge that is lost or gained, both at the transfer."""
    risen = sum(bool(_pattern(word.flipped) & _pattern(word.actual)) for word in words)
    fallen = sum(bool(_pattern(word.flipped) & _pattern(word.expected)) for word in words)
    if risen or fallen:
        chance = min(1.0, 2.0 * at_least(max(risen, fallen), risen + fallen, 0.5))
        sided = ", more to one side than chance makes it" if confidence(chance) else ""
        yield f"bits from 0 to 1 in {risen} words, from 1 to 0 in {fallen}{sided} (findings)"


def _rereads(words: Sequence[WrongResult]) -> Iterator[str]:
    right = sum(bool(_RIGHT.search(word.where)) for word in words)
    wrong = sum(bool(_WRONG.search(word.where)) for word in words)
    if right and not wrong:
        yield f"read again {right} words were right: it is the transfer on reading, not the cell (findings)"
    elif wrong and not right:
        yield f"read again {wrong} words were wrong still: it is the cell, or what was written (findings)"
    elif right:
        yield f"read again, right in {right} words and wrong in {wrong}: the two kinds are mixed (findings)"


def _warm(verdict: Verdict) -> Iterator[str]:
    """Rounds with wrong words by temperature; the coolest says where it begins, is not counted, and may be any."""
    near = [f.temperature for f in errors_of(verdict) if f.wrong is not None and f.temperature is not None]
    roles = {reading.role for reading in near}
    spent: Counter[int] = Counter()
    for stage in verdict.evidence.stages:
        for warmth in stage.warmth if stage.workload.startswith("memory/") else ():
            spent.update(warmth.seconds if warmth.role in roles else {})
    if not near or not spent or len(roles) > 1:
        return
    coolest_c, others = math.floor(min(reading.value for reading in near)), len(near) - 1
    share = math.fsum(s for degree, s in spent.items() if degree >= coolest_c) / math.fsum(spent.values())
    chance = min(1.0, len(near) * at_least(others, others, share))
    told = f"at {coolest_c} °C or more ({roles.pop()}), which had {_PERCENT * share:.0f} % of the memory stages' load"
    yield f"all {told}; by chance: {chance_text(chance)}" if confidence(chance) else f"all {told}, as chance has it"


def _shares(verdict: Verdict) -> Iterator[str]:
    cores = {f.core for f in verdict.reasons if f.wrong is not None and f.wrong.workload.startswith("memory/")}
    if len(cores) == 1:
        yield f"all in the share of core {cores.pop()}: each core tests memory of its own, so it may be place or core"
