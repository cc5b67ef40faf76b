"""The queue as a person is shown it: what runs, what is to come and about when, and the coming night."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from soakd import units
from soakd.model.entry import After, At, AtBoot, Cron, EntryState, Window
from soakd.report.timeline import Lane, timeline
from soakd.rules.ahead import BETWEEN_STAGES_S, lasting

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import tzinfo

    from soakd.model.entry import Entry, EntryRequest, When
    from soakd.model.plan import Plan
    from soakd.model.sheet import Sheet
    from soakd.report.timeline import Timeline
    from soakd.rules.ahead import Ahead, Spell

Moment = tuple[str, str]
"""In UTC for machines, and on the wall in words, to the minute."""
_FAR: Final = timedelta(days=8)
"""How far ahead a first start is looked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryView:
    """One entry that runs, waits or is held."""

    entry_id: str
    state: str
    title: str
    when: str
    lasts: str
    runs: str
    series: str
    begin: Moment | None
    """When it will probably start; None where that cannot be foreseen."""
    end: Moment | None
    starts: str
    """About that start, in words: in 5 h; what it hangs on; why it is held."""
    cut: bool
    """Its window closes before the plan is through."""
    priority: int
    last_run: str | None
    earlier: str | None = None
    """The entry that it can be put before; None where that changes nothing."""
    later: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class QueueView:
    """All of it."""

    entries: tuple[EntryView, ...]
    """Running ones, then in order of start, then what hangs on an event, then held ones."""
    night: Timeline
    total: str
    """How many runs the coming night holds, and how much of it is load."""


def queue_view(
    entries: Sequence[Entry], now: datetime, zone: tzinfo, ahead: Ahead, *, busy_until: datetime | None = None
) -> QueueView:
    """`entries`: those that have not ended, the waiting ones by rank. `zone`: of the clock on the bench's wall."""
    spells = ahead.spells(entries, now, now + _FAR, busy_until=busy_until)
    first: dict[str, Spell] = {}
    for spell in spells:
        first.setdefault(spell.entry_id, spell)
    ordered = sorted(entries, key=lambda entry: _order(entry, first.get(entry.entry_id)))
    earlier, later = _neighbours(ordered, first)
    rows = tuple(
        _row(entry, first.get(entry.entry_id), now, zone, earlier.get(entry.entry_id), later.get(entry.entry_id))
        for entry in ordered
    )
    until = night_until(now, zone)
    lanes = [
        Lane(
            name=title(entry.plan, entry.sheet),
            spells=tuple(spell for spell in spells if spell.entry_id == entry.entry_id and spell.begin < until),
            openings=tuple(_openings(entry, now, until, ahead)),
            running=entry.state is EntryState.RUNNING,
        )
        for entry in ordered
        if entry.state is not EntryState.HELD
    ]
    shown = [spell for spell in spells if spell.begin < until]
    return QueueView(entries=rows, night=timeline(lanes, now, until, zone), total=_total(shown, until))


def busy_until(now: datetime, remaining_s: float, stages_ahead: int) -> datetime:
    """When a run that is on will probably be over."""
    return now + timedelta(seconds=remaining_s + BETWEEN_STAGES_S * stages_ahead)


def night_until(now: datetime, zone: tzinfo) -> datetime:
    """The noon after the coming night."""
    here = now.astimezone(zone)
    noon = here.replace(hour=12, minute=0, second=0, microsecond=0, fold=0)
    while noon.astimezone(UTC) - now < timedelta(hours=8):
        noon += timedelta(days=1)
    return noon.astimezone(UTC)


def title(plan: Plan, sheet: Sheet | None) -> str:
    return plan.name if sheet is None else f"{plan.name} · sheet “{sheet.name}”"


def when_text(when: When) -> str:
    """What was asked for, in words."""
    match when:
        case At():
            return f"at {when.local} {when.zone}"
        case Cron():
            return f"cron {when.expression} {when.zone}"
        case Window():
            ends = "then stopped" if when.at_end == "stop" else "then carries on"
            return f"daily {when.opens}-{when.closes} {when.zone}, {ends}"
        case AtBoot():
            return f"{units.duration_text(when.settle_s)} after the machine's next start"
        case After():
            return f"after entry {when.entry_id}{' has passed' if when.only_after_pass else ''}"
        case _:
            return "as soon as the bench is free"


def runs_text(entry: EntryRequest, done: int) -> str:
    """1 of 3 runs done."""
    if entry.count is None:
        return f"{done} runs done, goes on until it is cancelled" if done else "goes on until it is cancelled"
    return f"{done} of {entry.count} runs done" if entry.count > 1 else "one run"


def moment_text(moment: datetime, zone: tzinfo) -> str:
    """Thu 2026-11-26 23:00 CET."""
    return f"{moment.astimezone(zone):%a %Y-%m-%d %H:%M %Z}"


def _order(entry: Entry, spell: Spell | None) -> tuple[int, float, int]:
    if entry.state is EntryState.RUNNING:
        return 0, 0.0, entry.place
    if entry.state is EntryState.HELD:
        return 3, -float(entry.priority), entry.place
    return (2, 0.0, entry.place) if spell is None else (1, spell.begin.timestamp(), entry.place)


def _neighbours(ordered: Sequence[Entry], first: dict[str, Spell]) -> tuple[dict[str, str], dict[str, str]]:
    """Whom each can be put before, and behind: two of which both could have started when the first one does."""
    earlier: dict[str, str] = {}
    later: dict[str, str] = {}
    waiting = [entry for entry in ordered if entry.state is EntryState.WAITING and entry.entry_id in first]
    for one, other in pairwise(waiting):
        if other.due_utc is None or datetime.fromisoformat(other.due_utc) <= first[one.entry_id].begin:
            earlier[other.entry_id], later[one.entry_id] = one.entry_id, other.entry_id
    return earlier, later


def _moment(moment: datetime, zone: tzinfo) -> Moment:
    return f"{moment.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}", moment_text(moment, zone)


def _row(
    entry: Entry, spell: Spell | None, now: datetime, zone: tzinfo, earlier: str | None, later: str | None
) -> EntryView:
    return EntryView(
        entry_id=entry.entry_id,
        state=entry.state.value,
        title=title(entry.plan, entry.sheet),
        when=when_text(entry.when),
        lasts=units.duration_text(lasting(entry.plan).total_seconds()),
        runs=runs_text(entry, entry.runs_done),
        series="" if entry.series is None else f"series {entry.series}" + (", stops if it fails" * entry.stop_series),
        begin=None if spell is None else _moment(spell.begin, zone),
        end=None if spell is None else _moment(spell.end, zone),
        starts=_starts(entry, spell, now),
        cut=spell is not None and spell.cut,
        priority=entry.priority,
        last_run=entry.last_run,
        earlier=earlier,
        later=later,
    )


def _starts(entry: Entry, spell: Spell | None, now: datetime) -> str:
    if entry.state is EntryState.HELD:
        return entry.reason or "held"
    if entry.state is EntryState.RUNNING:
        return "now"
    if spell is not None:
        away_s = (spell.begin - now).total_seconds()
        return "next, as soon as the bench is free" if away_s < 1.0 else f"in {units.duration_text(_coarse(away_s))}"
    return "until then no moment can be told" if entry.due_utc is None else "not within the next days"


def _coarse(duration_s: float) -> float:
    """Whole seconds; from two minutes on whole minutes."""
    return round(duration_s) if duration_s < 120.0 else 60.0 * round(duration_s / 60.0)


def _openings(entry: Entry, now: datetime, until: datetime, ahead: Ahead) -> Iterator[tuple[datetime, datetime]]:
    """What of a window lies in the span."""
    if isinstance(entry.when, Window):
        at = now
        while at < until:
            begin, end = ahead.opening(entry.when, at)
            if begin < until:
                yield max(begin, now), min(end, until)
            at = end


def _total(spells: Sequence[Spell], until: datetime) -> str:
    if not spells:
        return "no run begins in this time"
    load = sum((min(spell.end, until) - spell.begin for spell in spells), timedelta())
    runs = "1 run" if len(spells) == 1 else f"{len(spells)} runs"
    return f"{runs}, {units.duration_text(_coarse(load.total_seconds()))} of load"
