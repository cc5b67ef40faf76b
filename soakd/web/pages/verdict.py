"""A verdict's report inside our site, and the report so far of the run that is on."""

from __future__ import annotations

import asyncio
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from http import HTTPStatus
from typing import TYPE_CHECKING, Final, Protocol

from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from soakd.report.page import Night, page, policy_of
from soakd.report.unfinished import so_far_text, untimed
from soakd.rules.judge import judge_so_far
from soakd.store.readings import Readings
from soakd.web.pages.frame import NAV
from soakd.web.problems import ProblemError
from soakd.web.signing import STOP

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import tzinfo

    from starlette.requests import Request

    from soakd.clock import Clock
    from soakd.model.run import RunRecord
    from soakd.model.verdict import Verdict
    from soakd.web.present import Present
    from soakd.web.routes import Desk

WAYS: Final = (*NAV, (STOP, "Stop the load"))
REST: Final = 10.0
"""So many times as long as its making took is a report so far shown again before another is made."""
KEPT_S: Final = 60.0
"""How long the report of a verdict is shown again before its signature is looked at anew."""
_LEAST_S: Final = 5.0
_MOST_KEPT: Final = 4


class VerdictHelp(Protocol):
    """What only the service knows."""

    clock: Clock

    def night(self, run_id: str, zone: tzinfo) -> Night: ...

    def card(self, run_id: str) -> str: ...


@dataclass(frozen=True, slots=True)
class _Made:
    text: str
    until_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _SoFar:
    """Of the run that is on, at one moment."""

    record: RunRecord
    verdict: Verdict
    remaining_s: float | None
    """None once the load was stopped."""
    until: datetime


def routes(helper: VerdictHelp) -> tuple[Route, ...]:
    """/verdict/RUN, the same as a file, and its card."""
    shown = _Verdict(helper)
    return (
        Route("/verdict/{run_id}", shown.report, methods=["GET"]),
        Route("/verdict/{run_id}/report.html", shown.file, methods=["GET"]),
        Route("/verdict/{run_id}/card.svg", shown.card, methods=["GET"]),
    )


class _Verdict:
    """Reports are made one at a time, in a thread, and shown again for a while."""

    def __init__(self, helper: VerdictHelp) -> None:
        self._helper = helper
        self._making = asyncio.Lock()
        self._kept: dict[str, _Made] = {}

    async def report(self, request: Request) -> Response:
        desk: Desk = request.app.state.desk
        wanted = request.path_params["run_id"]
        async with self._making:
            so_far = await self._so_far(desk, wanted) if _is_on(desk, wanted) else None
            try:
                text = so_far or await self._whole(desk, wanted)
            except ProblemError as problem:
                raise _unread() if _is_on(desk, wanted) else problem from None
        return HTMLResponse(text, headers={"Content-Security-Policy": policy_of(text)})

    async def _whole(self, desk: Desk, wanted: str) -> str:
        """Raises ProblemError where there is no such verdict."""
        run_id = await run_in_threadpool(desk.shelf.run_id, wanted)
        again = self._again(run_id)
        return again if again is not None else await run_in_threadpool(self._finished, desk, run_id)

    async def _so_far(self, desk: Desk, run_id: str) -> str | None:
        """None where there is nothing of it yet, or no more."""
        key = f"so far {run_id}"
        text = self._again(key)
        if text is not None:
            return text
        began_s = self._helper.clock.monotonic()
        so_far = await desk.feed.of_present(lambda present: _look(present, run_id))
        if so_far is None:
            return None
        text = await run_in_threadpool(_unfinished, desk, so_far)
        return self._keep(key, text, max(_LEAST_S, REST * (self._helper.clock.monotonic() - began_s)))

    async def file(self, request: Request) -> Response:
        """The report as `soakd report` writes it: it leads nowhere."""
        desk: Desk = request.app.state.desk
        run_id = await run_in_threadpool(desk.shelf.run_id, request.path_params["run_id"])
        async with self._making:
            night = await run_in_threadpool(self._helper.night, run_id, desk.zone)
            text = await run_in_threadpool(page, night)
        headers = {
            "Content-Security-Policy": policy_of(text),
            "Content-Disposition": f'attachment; filename="soakd-{run_id}.html"',
        }
        return HTMLResponse(text, headers=headers)

    async def card(self, request: Request) -> Response:
        desk: Desk = request.app.state.desk
        run_id = await run_in_threadpool(desk.shelf.run_id, request.path_params["run_id"])
        text = await run_in_threadpool(self._helper.card, run_id)
        headers = {"Content-Disposition": f'attachment; filename="soakd-{run_id}.svg"'}
        return Response(text, media_type="image/svg+xml", headers=headers)

    def _finished(self, desk: Desk, run_id: str) -> str:
        began_s = self._helper.clock.monotonic()
        night = self._helper.night(run_id, desk.zone)
        text = page(replace(night, ways=WAYS, files=tuple(_files(desk, night))))
        return self._keep(run_id, text, max(KEPT_S, REST * (self._helper.clock.monotonic() - began_s)))

    def _again(self, key: str) -> str | None:
        kept = self._kept.get(key)
        return kept.text if kept is not None and self._helper.clock.monotonic() < kept.until_s else None

    def _keep(self, key: str, text: str, for_s: float) -> str:
        self._kept.pop(key, None)
        while len(self._kept) >= _MOST_KEPT:
            del self._kept[next(iter(self._kept))]
        self._kept[key] = _Made(text, self._helper.clock.monotonic() + for_s)
        return text


def _is_on(desk: Desk, wanted: str) -> bool:
    status = desk.hub.latest
    return status is not None and status.run is not None and status.run.run_id == wanted


def _files(desk: Desk, night: Night) -> Iterator[tuple[str, str]]:
    run_id = night.verdict.run_id
    api = f"/api/v1/verdicts/{run_id}"
    yield f"/verdict/{run_id}/report.html", "this report"
    yield f"/verdict/{run_id}/card.svg", "card"
    yield f"{api}/readings", "readings (CSV)"
    yield api, "verdict (JSON)"
    if desk.shelf.is_signed(run_id):
        yield f"{api}/envelope", "as it was signed"
    sheet = f"&sheet=run/{run_id}" if night.record.sheet else ""
    yield f"/queue?plan=run/{run_id}{sheet}#h-add", "queue this again"
    yield f"/ledger?a={run_id}", "compare with another"


def _unread() -> ProblemError:
    """Of a run that is on; the API's process met it in its middle."""
    text = "what is kept of this run is still being read"
    return ProblemError(HTTPStatus.SERVICE_UNAVAILABLE, "unreachable", text, hint="load the page again in a moment")


def _look(present: Present, run_id: str) -> _SoFar | None:
    """In the thread of the present run, whose evidence is gathered there already."""
    so_far = present.so_far
    if so_far is None or so_far.record.run_id != run_id or present.behind:
        return None
    until = datetime.fromisoformat(so_far.record.started_utc).astimezone(UTC) + timedelta(seconds=so_far.now_s)
    evidence = so_far.gatherer.evidence(
        finished_utc=f"{until:%Y-%m-%dT%H:%M:%SZ}", same_boot=True, suspended_s=0.0, snapshot_after=None
    )
    return _SoFar(
        record=so_far.record,
        verdict=judge_so_far(so_far.record, untimed(evidence)),
        remaining_s=None if so_far.load_stopped else so_far.progress.remaining_s,
        until=until,
    )


def _unfinished(desk: Desk, so_far: _SoFar) -> str:
    record, run_id = so_far.record, so_far.record.run_id
    with closing(Readings(desk.shelf.path)) as readings:
        night = Night(
            record=record,
            verdict=so_far.verdict,
            events=readings.events(run_id),
            columns=readings.columns(record),
            seal=(("state", "not signed: the run goes on"),),
            zone=desk.zone,
            so_far=so_far_text(record, so_far.until, desk.zone, so_far.remaining_s),
            ways=WAYS,
        )
    return page(night)
