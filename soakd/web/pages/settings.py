"""The settings of a trial: what its sheet declares and allows, what the bench showed, and what another declares."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.routing import Route

from soakd import units
from soakd.report.observed import observed_rows
from soakd.report.settings import settings_view
from soakd.rules.sheet_diff import differences
from soakd.rules.sheet_fields import said
from soakd.web import declared
from soakd.web.pages.frame import show

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.requests import Request
    from starlette.responses import Response

    from soakd.report.settings import SettingsView
    from soakd.web.declared import Choice, Subject
    from soakd.web.routes import Desk

_MOST_A: Final = 2000.0
_NOT_DECLARED: Final = "not declared"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shown:
    """All that the page tells."""

    choices: dict[str, list[Choice]]
    subject: Subject | None
    view: SettingsView | None
    observed: tuple[tuple[str, str], ...]
    other: Subject | None
    differences: tuple[tuple[str, str, str], ...]
    """Place, there, here."""
    refused: str


def _gathered(journal: Path, home: Path, key: str, against: str | None, current: str) -> _Shown:
    """`against`: None for the sheet's parent, empty for none. Raises ProblemError, StoreError, ConfigError."""
    current_a, refused = _current(current)
    choices = declared.choices(journal, home)
    wanted = key or declared.newest(journal)
    subject = declared.subject(journal, home, wanted) if wanted else None
    sheet = subject.sheet if subject else None
    if against is None:
        against = declared.parent(choices, sheet) if sheet is not None else ""
    other = declared.subject(journal, home, against) if against else None
    found: tuple[tuple[str, str, str], ...] = ()
    if sheet is not None and other is not None and other.sheet is not None:
        found = tuple(
            (each.place, *(_NOT_DECLARED if leaf is None else said(leaf) for leaf in (each.old, each.new)))  # type: ignore[misc] # three texts
            for each in differences(other.sheet, sheet)
        )
    return _Shown(
        choices=choices,
        subject=subject,
        view=settings_view(sheet, current_a=current_a) if sheet is not None else None,
        observed=tuple(observed_rows(subject.snapshot)) if subject is not None and subject.snapshot else (),
        other=other,
        differences=found,
        refused=refused,
    )


def _current(text: str) -> tuple[float | None, str]:
    """Amperes, or why they are not taken."""
    if not text.strip():
        return None, ""
    try:
        value_a = units.parse(text, units.CURRENT)
    except ValueError as error:
        comma = "; decimals are written with a point, 150.5 A" if "," in text else ""
        return None, f"“{text}” is not taken: {error}{comma}."
    if not 0.0 <= value_a <= _MOST_A:
        return None, f"“{text}” is not taken: a current is from 0 to {_MOST_A:g} A."
    return value_a, ""


async def _settings(request: Request) -> Response:
    desk: Desk = request.app.state.desk
    query = request.query_params
    run = request.path_params.get("run")
    key = f"run/{run}" if run else query.get("of", "")
    against, current = query.get("against"), query.get("current", "")
    shown = await run_in_threadpool(_gathered, desk.shelf.path, desk.home, key, against, current)
    values: dict[str, Any] = {"shown": shown, "current": current}
    return show(request, "settings.html", title="Settings", **values)


SETTINGS: Final = (
    Route("/settings", _settings, methods=["GET"]),
    Route("/settings/{run}", _settings, methods=["GET"]),
)
