"""What a request to queue something would come to, in words, before it is made."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Final

from soakd import units
from soakd.model.entry import Cron, Entry, Window
from soakd.report.queued import moment_text, when_text
from soakd.rules.ahead import lasting

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import datetime, tzinfo

    from soakd.model.entry import Checked, EntryAsk
    from soakd.rules.ahead import Ahead

_FAR: Final = timedelta(days=40)
_NEW: Final = "new"
_LAST: Final = 10**9
"""A new entry takes the last place."""


def asked_lines(
    ask: EntryAsk,
    checked: Checked,
    entries: Sequence[Entry],
    now: datetime,
    zone: tzinfo,
    ahead: Ahead,
    *,
    busy_until: datetime | None = None,
) -> Iterator[str]:
    """`entries`: those that have not ended, as they are now."""
    plan = ask.plan
    stages = "1 stage" if len(plan.stages) == 1 else f"{len(plan.stages)} stages"
    sheet = "without a sheet" if ask.sheet is None else f"for sheet “{ask.sheet.name}”"
    takes = units.duration_text(lasting(plan).total_seconds())
    yield f"{plan.name}: {stages}, about {takes}, {sheet}."
    new = Entry(
        entry_id=_NEW,
        created_utc="",
        plan=plan,
        when=checked.when,
        priority=ask.priority,
        count=checked.count,
        place=_LAST,
        due_utc=checked.due_utc,
    )
    spells = ahead.spells([*entries, new], now, now + _FAR, busy_until=busy_until)
    own = [spell for spell in spells if spell.entry_id == _NEW]
    if not own:
        yield f"It would start {when_text(checked.when)}; no moment can be told."
        return
    first = own[0]
    before = sum(1 for spell in spells if spell.begin < first.begin)
    yield _start_text(first.begin, now, zone, before)
    if first.cut:
        open_for = units.duration_text((first.end - first.begin).total_seconds())
        yield f"Its window leaves it {open_for}: it would be stopped before it is through, and that is no pass."
    yield from _again(checked, [spell.begin for spell in own], zone)


def _start_text(begin: datetime, now: datetime, zone: tzinfo, before: int) -> str:
    if begin <= now:
        return "It would start at once."
    runs = "" if not before else " after 1 other run" if before == 1 else f" after {before} other runs"
    return f"It would start about {moment_text(begin, zone)}{runs}."


def _again(checked: Checked, begins: list[datetime], zone: tzinfo) -> Iterator[str]:
    if checked.count is None:
        then = f", next {moment_text(begins[1], zone)}" if len(begins) > 1 else ""
        each = "in every opening" if isinstance(checked.when, Window) else "at every firing"
        yield f"It goes on {each} until it is cancelled{then}."
    elif checked.count > 1:
        each = ", one in each opening" if isinstance(checked.when, Window) else ""
        each = ", one at each firing" if isinstance(checked.when, Cron) else each
        yield f"{checked.count} runs{each}."
