"""What the queue's form asks for, as it is typed: which plan and sheet, and when. A refusal says what would be right.

A plan or a sheet is named by its key (own/evening, shipped/overnight), is that of an earlier run or entry (run/ID,
entry/ID), or stands in the form as TOML.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Annotated, Final, Literal, TypeVar

from pydantic import Field, ValidationError

from soakd import units
from soakd.config.files import parsed
from soakd.errors import UsageError
from soakd.model.base import Value
from soakd.model.entry import EntryAsk
from soakd.model.plan import Plan
from soakd.model.sheet import Sheet
from soakd.web import problems, stored

if TYPE_CHECKING:
    from pathlib import Path

    from soakd.web.reading import Shelf

File = TypeVar("File", Plan, Sheet)
Line = Annotated[str, Field(max_length=200)]
TOML: Final = "toml"
_WALL: Final = re.compile(r"([01]?\d|2[0-3]):[0-5]\d")
_WHOLE: Final = re.compile(r"[+-]?\d{1,9}")
_TIME_HINT: Final = 'a time of day as the clock on the wall shows it, such as "23:00"'


class Wish(Value):
    """The form's fields by name."""

    plan: Line = ""
    plan_text: str = Field(default="", alias="plan-text")
    sheet: Line = ""
    sheet_text: str = Field(default="", alias="sheet-text")
    when: Literal["now", "at", "window", "cron", "at-boot", "after"] = "now"
    at: Line = ""
    opens: Line = ""
    closes: Line = ""
    at_end: Literal["stop", "carry-on"] = Field(default="stop", alias="at-end")
    cron: Line = ""
    settle: Line = "2 min"
    after: Line = ""
    after_any: bool = Field(default=False, alias="after-any")
    priority: Line = ""
    count: Line = ""
    series: Line = ""
    stop_series: bool = Field(default=False, alias="stop-series")


def ask_of(wish: Wish, home: Path, shelf: Shelf) -> EntryAsk:
    """The request. Raises SoakdError and ProblemError, each naming the field. Reads files and the journal."""
    if not wish.plan:
        raise UsageError("plan: none is chosen", hint="choose one that is stored, or write one")
    files = {
        "plan": _chosen(wish.plan, wish.plan_text, Plan, home, shelf),
        "sheet": _chosen(wish.sheet, wish.sheet_text, Sheet, home, shelf) if wish.sheet else None,
    }
    more = {
        "priority": _whole("priority", wish.priority, -100, 100) or 0,
        "count": _whole("count", wish.count, 1, 1000),
        "series": wish.series.strip() or None,
        "stop_series": wish.stop_series and bool(wish.series.strip()),
    }
    try:
        return EntryAsk.model_validate(files | _when(wish) | more)
    except ValidationError as error:
        raise problems.of_validation(error) from None


def _when(wish: Wish) -> dict[str, object]:
    match wish.when:
        case "at":
            hint = f'{_TIME_HINT}, or a day and a time, "2026-11-25 23:00"'
            return {"at": _needed("at", wish.at, hint)}
        case "window":
            opens, closes = (_wall(name, text) for name, text in (("opens", wish.opens), ("closes", wish.closes)))
            return {"window": f"{opens}-{closes}", "at_end": wish.at_end}
        case "cron":
            return {"cron": _needed("cron", wish.cron, 'five fields, weekdays by name: "0 23 * * fri"')}
        case "at-boot":
            return {"at_boot": True, "settle_s": _duration("settle", wish.settle)}
        case "after":
            return {"after": _needed("after", wish.after, "choose the entry"), "after_any": wish.after_any}
        case _:
            return {}


def _needed(name: str, text: str, hint: str) -> str:
    if not text.strip():
        raise UsageError(f"{name}: nothing is given", hint=hint)
    return text.strip()


def _duration(name: str, text: str) -> str:
    given = _needed(name, text, 'a time, such as "2 min"')
    try:
        units.parse(given, units.TIME)
    except ValueError as error:
        raise UsageError(f"{name} {given}: {error}") from None
    return given


def _wall(name: str, text: str) -> str:
    given = _needed(name, text, _TIME_HINT)
    if not _WALL.fullmatch(given):
        raise UsageError(f"{name} {given}: {_TIME_HINT}")
    return given.rjust(5, "0")


def _whole(name: str, text: str, low: int, high: int) -> int | None:
    """None where nothing is given; 1,5 and 1.5 are no whole numbers, and are not taken for one."""
    given = text.strip()
    if not given:
        return None
    if not _WHOLE.fullmatch(given) or not low <= int(given) <= high:
        raise UsageError(f"{name} {given}: a whole number from {low} to {high}")
    return int(given)


def _chosen(key: str, text: str, kind: type[File], home: Path, shelf: Shelf) -> File:
    name = kind.__name__.lower()
    origin, _, identifier = key.partition("/")
    if key == TOML:
        if not text.strip():
            raise UsageError(f"{name}: nothing is written yet", hint=f"paste a {name} as TOML, or choose a stored one")
        return parsed(text, kind, f"this {name}")
    if origin in {"run", "entry"}:
        source = shelf.record(identifier) if origin == "run" else shelf.entry(identifier)
        found: Plan | Sheet | None = getattr(source, name)
        if found is None:
            raise UsageError(f"{origin} {identifier} has no {name}", hint=f"choose another {name}, or none")
        return found  # type: ignore[return-value] # the field's name is its kind
    return stored.plan(home, key) if kind is Plan else stored.sheet(home, key)  # type: ignore[return-value] # likewise
