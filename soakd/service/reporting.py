"""The HTML report of a verdict, from what the journal holds of its run; and that of a rehearsal, marked as one."""

from __future__ import annotations

from contextlib import closing
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from soakd.model.columns import Columns
from soakd.model.journal import Tick
from soakd.report.card import card
from soakd.report.page import Night, page
from soakd.report.rehearsed import MODEL
from soakd.service.bench_key import keys_of_bench
from soakd.service.rehearsal import rehearse
from soakd.service.verifying import Verifier
from soakd.service.virtual_record import draft
from soakd.store.chain import Chain
from soakd.store.ledger import Ledger, verdict_in
from soakd.store.readings import Readings

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import tzinfo

    from soakd.model.journal import Event
    from soakd.model.plan import Plan
    from soakd.model.rehearsal import Rehearsal
    from soakd.model.sheet import Sheet
    from soakd.model.verdict import Verdict
    from soakd.model.virtual import VirtualBench
    from soakd.service.home import Home
    from soakd.service.verifying import Checked

STATES: Final = {
    "verified": "verified when this report was made",
    "otherwise": "judged otherwise by this version of soakd",
    "unsigned": "unsigned",
    "refused": "REFUSED: do not trust this verdict",
}
_AGAIN: Final = (
    "how to check it",
    "a report proves nothing by itself: `soakd verdict verify` on the bench, or with its exported file anywhere",
)


def report_of(home: Home, which: str, zone: str | None) -> tuple[str, str]:
    """Run and report. Raises UsageError where `which` names no verdict, StoreError where it cannot be read."""
    night = night_of(home, which, bench_zone(zone))
    return night.verdict.run_id, page(night)


def night_of(home: Home, which: str, zone: tzinfo | None) -> Night:
    """All that the report of a verdict is made of. Raises as `report_of` does."""
    verdict, checked = _verdict(home, which)
    with closing(Readings(home.journal)) as readings:
        record = readings.record(verdict.run_id)
        return Night(
            record=record,
            verdict=verdict,
            events=readings.events(verdict.run_id),
            columns=readings.columns(record),
            seal=seal(checked),
            zone=zone,
        )


def card_of(home: Home, which: str) -> tuple[str, str]:
    """Run and card. Raises as `report_of` does."""
    verdict, checked = _verdict(home, which)
    signed = "unsigned"
    if checked is not None and checked.state != "unsigned":
        signed = STATES[checked.state] if checked.keyid is None else f"signed by key {checked.keyid[:16]}…"
    return verdict.run_id, card(verdict, signed)


def _verdict(home: Home, which: str) -> tuple[Verdict, Checked | None]:
    """With what came of its signature; None where it has no place in the chain."""
    with closing(Ledger(home.journal)) as ledger:
        verdict = verdict_in(ledger.body(which))
        link = Chain(ledger).link(verdict.run_id)
        return verdict, None if link is None else Verifier(keys_of_bench(home)).link(link)


def rehearsed_report(
    plan: Plan, sheet: Sheet | None, about: VirtualBench, *, plan_file: str, seed: int
) -> tuple[Rehearsal, str]:
    """A rehearsal, and its report, marked as what it is."""
    shown, night = rehearsed_night(plan, sheet, about, plan_file=plan_file, seed=seed)
    return shown, page(night)


def rehearsed_night(
    plan: Plan,
    sheet: Sheet | None,
    about: VirtualBench,
    *,
    plan_file: str,
    seed: int,
    also: Callable[[Event], None] = lambda _: None,
) -> tuple[Rehearsal, Night]:
    """A rehearsal, and all that its report is made of; `also` is told every event."""
    record = draft(plan, sheet, about, plan_file=plan_file, seed=seed)
    columns = Columns(channels=record.channels)
    events: list[Event] = []

    def keep(event: Event) -> None:
        also(event)
        columns.take(event) if isinstance(event, Tick) else events.append(event)

    shown = rehearse(plan, sheet, about, plan_file=plan_file, seed=seed, also=keep)
    seal_rows = (("state", "unsigned: a rehearsal is no verdict, and is never signed"),)
    model = f"Rehearsed on the virtual bench “{about.name}”, seed {seed}. {MODEL}"
    night = Night(record=record, verdict=shown.verdict, events=events, columns=columns, seal=seal_rows, model=model)
    return shown, night


def seal(checked: Checked | None) -> tuple[tuple[str, str], ...]:
    """Signature and place, in words."""
    if checked is None:
        return (("state", "unsigned: it has no place in the chain"), _AGAIN)
    rows = [("state", STATES[checked.state]), ("", checked.text)]
    if checked.keyid is not None:
        rows.append(("key", checked.keyid))
    return (*rows, _AGAIN)


def bench_zone(name: str | None) -> tzinfo | None:
    """As the configuration names it, else the system's own."""
    return ZoneInfo(name) if name is not None else datetime.now(UTC).astimezone().tzinfo
