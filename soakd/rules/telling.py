"""Who is told what, when, and in which words. Pure.

Written for somebody who is woken by it: the outcome first, then why, where in the plan, how long it lasted and what
comes next, in lines short enough for a telephone.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import unquote

from soakd import units
from soakd.model.entry import Window
from soakd.rules.reached import covered_text
from soakd.rules.schedule import opening

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from datetime import datetime, tzinfo

    from soakd.model.configuration import Occasion, Target
    from soakd.model.finding import Finding
    from soakd.model.plan import Plan
    from soakd.model.run import RunRecord
    from soakd.model.verdict import Verdict

FIRST_RETRIES_S = (30.0, 120.0, 600.0, 3600.0)
LATER_RETRY_S = 6 * 3600.0
LATER_RETRIES = 12
"""Three days of them."""
MOST_REASONS = 3
LONGEST_SUBJECT = 110
_DAY_S = 86_400.0
_SAID = {"pass": "PASS", "fail": "FAIL", "inconclusive": "INCONCLUSIVE"}
_LASTED = {
    "pass": "Passed: {done} of {count} stages, {lasted}.",
    "fail": "Failed after {lasted} of {planned}.",
    "inconclusive": "Neither proven nor refuted after {lasted} of {planned}.",
}
_PLAIN: dict[Occasion, str] = {
    "started": "Started",
    "stopped": "STOPPED",
    "verdict": "Verdict",
    "came-back": "WENT DOWN, is back",
    "missed": "Missed",
    "not-started": "Not started",
    "standing-lost": "No longer proven",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class News:
    """One thing to tell, whoever is told."""

    occasion: Occasion
    headline: str
    """The outcome and of what; the bench's name is added for the subject."""
    lines: tuple[str, ...]
    good: bool = False
    """A passing verdict; targets with only-bad are spared it."""
    urgent: bool = False
    """Somebody must go to the bench now: no quiet time holds it back."""

    def subject(self, bench: str) -> str:
        return one_line(f"{self.headline} · {bench}", LONGEST_SUBJECT)

    @property
    def body(self) -> str:
        return "\n".join(one_line(line, 500) for line in self.lines if line)


def told_of(news: News, targets: Iterable[Target]) -> tuple[Target, ...]:
    """The targets that asked for it."""
    return tuple(
        target for target in targets if news.occasion in target.on and not (target.only_bad and news.good)
    )  # fmt: skip


def quiet_until(quiet: str | None, now: datetime, zone: tzinfo) -> datetime | None:
    """When the quiet time that is going on ends; None outside of it. It ends at its moment and not after it."""
    if quiet is None:
        return None
    begins, _, ends = quiet.partition("-")
    start, end = opening(Window(opens=begins, closes=ends, zone="UTC"), now, zone)
    return end if start <= now else None


def retry_after_s(failures: int) -> float | None:
    """How long to wait after so many failed tries; None when it is given up."""
    if failures <= len(FIRST_RETRIES_S):
        return FIRST_RETRIES_S[failures - 1]
    return LATER_RETRY_S if failures <= len(FIRST_RETRIES_S) + LATER_RETRIES else None


def line_news(occasion: Occasion, text: str, *, follows: str = "") -> News:
    """What is said in one line: an entry that was missed or refused, a standing that was lost."""
    return News(occasion=occasion, headline=f"{_PLAIN[occasion]}: {text}", lines=(text, follows))


def started_news(record: RunRecord, now: datetime, zone: tzinfo) -> News:
    plan = record.plan
    done = f"about {_clock(now.timestamp() + plan.duration_s, now, zone)}"
    cautions = tuple(f"Caution: {caution}" for caution in record.cautions)
    return News(
        occasion="started",
        headline=f"Started: {plan.name}",
        lines=(
            f"{_stages(len(plan.stages))}, {units.duration_text(plan.duration_s)} of load; done {done}.",
            *cautions,
            _settings(record.sheet.name if record.sheet else None),
            f"Run {record.run_id}.",
        ),
    )


def stopped_news(
    record: RunRecord, why: Finding | None, *, after_s: float, stage: int | None, gone_s: float, survivors: int
) -> News:
    """The load was taken away. With workers that were not seen gone, that is the outcome."""
    plan = record.plan
    still_on = f"{survivors} of the workers were not seen gone: the bench may still be under load. Switch it off."
    return News(
        occasion="stopped",
        headline=f"{'LOAD MAY STILL BE ON' if survivors else 'STOPPED'}: {plan.name}",
        lines=(
            still_on if survivors else "",
            f"Load stopped after {units.duration_text(after_s)} of {units.duration_text(plan.duration_s)}"
            + ("." if survivors else f", gone within {gone_s * 1000:.0f} ms."),
            f"Why: {why.text}" if why else "",
            _stage(plan, stage),
            _settings(record.sheet.name if record.sheet else None),
            f"Next: the verdict follows. Run {record.run_id}.",
        ),
        urgent=survivors > 0,
    )


def still_heating_news(record: RunRecord, finding: Finding, action: str) -> News:
    """After a stop a temperature goes on rising. `action`: what is done about it, in words."""
    return News(
        occasion="stopped",
        headline=f"STILL HEATING, LOAD GONE: {record.plan.name}",
        lines=(
            f"{finding.text}.",
            f"{action[0].upper()}{action[1:]}.",
            "Somebody should look at the bench now.",
            f"Run {record.run_id}.",
        ),
        urgent=True,
    )


def verdict_news(verdict: Verdict, *, follows: str = "") -> News:
    """A run has ended and was judged. `follows` is a line such as `next_line` makes."""
    drill = "drill, " if verdict.drill else ""
    return News(
        occasion="verdict",
        headline=f"{_SAID[verdict.outcome]}: {drill}{verdict.plan.name}",
        lines=(_lasted(verdict), *_reasons(verdict), *_where(verdict), follows, _look(verdict)),
        good=verdict.outcome == "pass",
    )


def came_back_news(verdict: Verdict, *, follows: str = "") -> News:
    """The bench went down in a run and is up again; the verdict is what was made of that run."""
    after = units.duration_text(verdict.evidence.duration_s)
    planned = units.duration_text(verdict.plan.duration_s)
    return News(
        occasion="came-back",
        headline=f"WENT DOWN, is back: {verdict.plan.name}",
        lines=(
            f"The bench went down after {after} of {planned} and is up again. Judged: {_SAID[verdict.outcome]}.",
            *_reasons(verdict),
            *_where(verdict),
            follows,
            _look(verdict),
        ),
    )


def next_line(plan: str | None, due: datetime | None, now: datetime, zone: tzinfo) -> str:
    """What the bench does next: nothing, or a plan at a time."""
    if plan is None:
        return "Next: nothing is queued; the bench rests."
    if due is None:
        return f"Next: {plan}, when its turn comes."
    if due <= now:
        return f"Next: {plan}, now."
    return f"Next: {plan} at {_clock(due.timestamp(), now, zone)}."


def one_line(text: str, longest: int) -> str:
    """No line breaks or control characters: a subject becomes a header of a mail."""
    flat = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return flat if len(flat) <= longest else flat[: longest - 1] + "…"


def without_address(text: str, url: str) -> str:
    """An error's text with every piece of the target's address taken out: any piece may be the secret."""
    for piece in sorted(pieces_of(url, shortest=3), key=len, reverse=True):
        text = re.sub(re.escape(piece), "***", text, flags=re.IGNORECASE)
    return text


def pieces_of(url: str, *, shortest: int) -> set[str]:
    """The address and every piece of it but the scheme, as written and as meant."""
    pieces = {url, *re.split(r"[/:@?&=,;#]+", url)}
    pieces |= {unquote(piece) for piece in pieces}
    scheme, separator, _ = url.partition("://")
    return {piece for piece in pieces if len(piece) >= shortest and not (separator and piece == scheme)}


def _lasted(verdict: Verdict) -> str:
    stages = verdict.evidence.stages
    return _LASTED[verdict.outcome].format(
        lasted=units.duration_text(verdict.evidence.duration_s),
        planned=units.duration_text(verdict.plan.duration_s),
        done=sum(stage.state == "complete" for stage in stages),
        count=len(verdict.plan.stages),
    )


def _reasons(verdict: Verdict) -> Iterator[str]:
    for number, reason in enumerate(verdict.reasons[:MOST_REASONS]):
        yield f"{'Also' if number else 'Why'}: {reason.text}"
    more = len(verdict.reasons) - MOST_REASONS
    if more > 0:
        yield f"And {more} more reason{'s' if more > 1 else ''}."


def _where(verdict: Verdict) -> Iterator[str]:
    """Where in the plan it went wrong, or what a pass covers and how near it came to a bound; then the settings."""
    if verdict.outcome == "pass":
        yield _covered(verdict)
        yield _nearest(verdict)
    else:
        named = next((reason.stage for reason in verdict.reasons if reason.stage is not None), None)
        halted = next((stage.index for stage in verdict.evidence.stages if stage.state == "stopped"), None)
        yield _stage(verdict.plan, halted if named is None else named)
    yield _settings(verdict.sheet.name if verdict.sheet else None)


def _covered(verdict: Verdict) -> str:
    covered = covered_text(verdict.evidence.points)
    return f"{covered[0].upper()}{covered[1:]}." if covered else ""


def _nearest(verdict: Verdict) -> str:
    pairs = zip(verdict.bounds, verdict.evidence.limits, strict=False)
    known = [(bound, limit.nearest) for bound, limit in pairs if limit.nearest is not None]
    if not known:
        return "No limit watched any sensor."
    bound, nearest = min(known, key=lambda pair: pair[0].left_share(pair[1]))
    left = units.reading_text(bound.margin(nearest), bound.left_unit)
    return f"Least margin: {left} on {bound.what}."


def _stage(plan: Plan, stage: int | None) -> str:
    return "" if stage is None else f"Stage {stage + 1} of {len(plan.stages)}: {plan.stages[stage].name}"


def _stages(count: int) -> str:
    return "1 stage" if count == 1 else f"{count} stages"


def _settings(sheet: str | None) -> str:
    return f"Settings: {sheet}" if sheet else "Settings: no sheet was declared."


def _look(verdict: Verdict) -> str:
    return f"All of it: soakd verdict show {verdict.run_id}"


def _clock(moment_s: float, now: datetime, zone: tzinfo) -> str:
    """A moment as the wall clock there shows it, with the day when it is not within 24 hours."""
    local = type(now).fromtimestamp(moment_s, zone)
    return f"{local:%H:%M}" if moment_s - now.timestamp() < _DAY_S else f"{local:%a %d %b, %H:%M}"
