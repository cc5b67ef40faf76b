"""The ledger: whether the bench is covered, trials under the trials that they were made from, any two to compare."""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.routing import Route

from soakd.report.trials import TrialView, mentions, trial_view
from soakd.rules.lineage import lineage
from soakd.store.trials import Sought, Trials
from soakd.web.pages.frame import show

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from datetime import tzinfo

    from starlette.requests import Request
    from starlette.responses import Response

    from soakd.model.sheet import Sheet
    from soakd.rules.lineage import Branch
    from soakd.store.ledger import LedgerLine
    from soakd.web.routes import Desk

OUTCOMES: Final = ("pass", "fail", "inconclusive")
TRIALS: Final = 20
"""On one page."""
FIRST: Final = 3
"""Verdicts of a trial that stand there at once."""
LINES: Final = 50
"""Verdicts of a trial on a page of its own."""
_LONGEST: Final = 120
_LAST_PAGE: Final = 100_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What the address asks for, as it was typed."""

    outcome: str = ""
    setting: str = ""
    since: str = ""
    until: str = ""
    trial: str = ""
    no_sheet: str = ""
    a: str = ""
    """A run that another is to be compared with."""
    page: str = ""

    @property
    def filters(self) -> bool:
        return bool(self.outcome or self.setting or self.since or self.until)

    def number(self, default: int) -> int:
        """Of the part that is asked for, from 1."""
        known = self.page.isascii() and self.page.isdecimal()
        return max(1, min(int(self.page), _LAST_PAGE)) if known else default

    def address(self, **changes: str) -> str:
        """Of the same page with something else asked for; it begins at its first part again."""
        fields = {name: getattr(self, name) for name in self.__dataclass_fields__} | {"page": ""} | changes
        query = urlencode({name: text for name, text in fields.items() if text})
        return f"/ledger?{query}" if query else "/ledger"


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """One trial with some of its verdicts."""

    view: TrialView
    lines: tuple[LedgerLine, ...]


async def _ledger(request: Request) -> Response:
    desk: Desk = request.app.state.desk
    asked = Asked(
        **{name: request.query_params.get(name, "")[:_LONGEST].strip() for name in Asked.__dataclass_fields__}
    )
    values = await run_in_threadpool(_values, desk, asked)
    status = desk.hub.latest
    values |= {"known": status is not None, "standing": None if status is None else status.standing}
    return show(request, "ledger.html", title="Ledger", asked=asked, outcomes=OUTCOMES, **values)


def _values(desk: Desk, asked: Asked) -> dict[str, Any]:
    with closing(desk.shelf.trials()) as trials:
        sought, refused = _sought(asked, desk.zone, trials)
        one = asked.trial or asked.no_sheet
        shown, number, pages = _one(trials, sought, asked) if one else _tree(trials, sought, asked)
        first = trials.one(asked.a) if asked.a else None
    turn = {
        "number": number,
        "pages": pages,
        "back": asked.address(page=str(number - 1)) if number > 1 else "",
        "ahead": asked.address(page=str(number + 1)) if number < pages else "",
    }
    return {"shown": shown, "refused": refused, "one": one, "first": first, "turn": turn}


def _tree(trials: Trials, sought: Sought, asked: Asked) -> tuple[list[Shown], int, int]:
    """A part of the tree, which it is, and how many there are. Unasked it is the part in which the newest run is."""
    branches = lineage(trials.found(sought))
    newest = max(range(len(branches)), key=lambda place: branches[place].trial.newest_utc, default=0)
    number = asked.number(newest // TRIALS + 1)
    part = branches[TRIALS * (number - 1) : TRIALS * number]
    above = min((branch.depth for branch in part), default=0)
    part = [replace(branch, depth=branch.depth - above) for branch in part]
    return [_shown(trials, branch, sought, FIRST) for branch in part], number, max(1, -(-len(branches) // TRIALS))


def _one(trials: Trials, sought: Sought, asked: Asked) -> tuple[list[Shown], int, int]:
    """One trial with a part of its verdicts."""
    name, number = asked.trial or None, asked.number(1)
    found = [branch for branch in lineage(trials.found(sought)) if branch.trial.name == name]
    shown = [_shown(trials, replace(branch, depth=0), sought, LINES, LINES * (number - 1)) for branch in found]
    return shown, number, max([1, *(-(-each.view.verdicts // LINES) for each in shown)])


def _shown(trials: Trials, branch: Branch, sought: Sought, most: int, skip: int = 0) -> Shown:
    trial = branch.trial
    sheet = None if trial.name is None else trials.sheet(trial.name)
    parent = None if trial.parent is None else trials.sheet(trial.parent)
    lines = trials.lines(trial.name, sought, most, skip)
    return Shown(view=trial_view(branch, sheet, parent), lines=tuple(lines))


def _sought(asked: Asked, zone: tzinfo, trials: Trials) -> tuple[Sought, list[str]]:
    """And what could not be understood, in words; it is left out."""
    refused: list[str] = []
    sought = Sought()
    if asked.outcome in OUTCOMES:
        sought = replace(sought, outcome=asked.outcome)
    elif asked.outcome:
        refused.append(f"An outcome is one of {', '.join(OUTCOMES)}; “{asked.outcome}” is none.")
    try:
        sought = replace(sought, since_utc=_midnight(asked.since, 0, zone) or sought.since_utc)
        sought = replace(sought, until_utc=_midnight(asked.until, 1, zone) or sought.until_utc)
    except (ValueError, OverflowError):
        refused.append("A day is written like 2026-11-25.")
    if asked.setting:
        sought = replace(sought, names=tuple(_with(trials.sheets(), trials.parents(), asked.setting)))
    return sought, refused


def _midnight(day: str, later: int, zone: tzinfo) -> str:
    """As the day begins there, or so many days later; empty where none is given. Raises ValueError, OverflowError."""
    if not day:
        return ""
    moment = datetime.combine(date.fromisoformat(day) + timedelta(days=later), time(), zone)
    return f"{moment.astimezone(UTC):%Y-%m-%dT%H:%M:%S}"


def _with(sheets: Mapping[str, Sheet], parents: Mapping[str, str], wanted: str) -> Iterator[str]:
    """Names of trials that changed such a setting."""
    for name, sheet in sheets.items():
        if mentions(sheet, sheets.get(parents.get(name, "")), wanted):
            yield name


LEDGER: Final = Route("/ledger", _ledger, methods=["GET"])
