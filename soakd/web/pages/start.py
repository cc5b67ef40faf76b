"""The first start, led by the hand: cautions, sensors, limits, readiness, a drill, a sheet, the first plan."""

from __future__ import annotations

from functools import partial
from http import HTTPStatus
from typing import TYPE_CHECKING, Any, Literal, Protocol

from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse
from starlette.routing import Route

from soakd.config.files import parsed
from soakd.errors import ConfigError, SoakdError, StateError
from soakd.model.plan import Plan
from soakd.model.sheet import Sheet
from soakd.report import start as view
from soakd.report.drill import summary
from soakd.report.ready import ready_text
from soakd.rules.sheet_check import check
from soakd.rules.sheet_fields import fields, said
from soakd.web import guide, stored
from soakd.web.bodies import read
from soakd.web.drilled import whole_round
from soakd.web.pages.frame import filled, show, timed
from soakd.web.problems import ProblemError
from soakd.web.start_asks import ChoiceAsk, DraftAsk, PlanAsk, SheetAsk, StepAsk, hours_of

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.requests import Request
    from starlette.responses import Response

    from soakd.model.begun import Begun, Did, StepName
    from soakd.model.look import DraftedPlan, Look
    from soakd.web.routes import Desk

FIRST_PLAN = "shipped/three-minutes"
_BY_EYE = frozenset({"sensors", "limits", "doctor"})
"""Steps that are done when somebody says so; of the others it can be seen."""


class Helper(Protocol):
    """What only the service can do. All raise SoakdError."""

    seen: Look | None
    """The last look at the bench."""

    async def look(self, *, again: bool) -> Look: ...

    async def draft(self, sheet: str, hours: float) -> DraftedPlan: ...

    def begun(self) -> Begun: ...

    def note_step(self, step: StepName, did: Did) -> None: ...

    def note_choice(self, *, sheet: str | None = None, plan: str | None = None) -> None:
        """What is None stays as it was."""

    def keep(self, folder: Literal["sheets", "plans"], name: str, text: str) -> Path: ...


def routes(helper: Helper) -> tuple[Route, ...]:
    """Everything below /start."""
    page = _Page(helper)
    return (
        Route("/start", page.show, methods=["GET"]),
        Route("/start/bench", page.bench, methods=["GET"]),
        Route("/start/drill", page.drill, methods=["GET"]),
        Route("/start/step", page.step, methods=["POST"]),
        Route("/start/sheet/check", page.check_sheet, methods=["POST"]),
        Route("/start/sheet", page.keep_sheet, methods=["POST"]),
        Route("/start/plan/draft", page.draft_plan, methods=["POST"]),
        Route("/start/plan", page.keep_plan, methods=["POST"]),
        Route("/start/check", page.check, methods=["POST"]),
        Route("/start/queue", page.queue, methods=["POST"]),
    )


class _Page:
    """The handlers; what is remembered of the first start lies with the helper."""

    def __init__(self, helper: Helper) -> None:
        self._helper = helper

    async def show(self, request: Request) -> Response:
        """The whole page; `?look=now` waits for the look at the bench, for browsers without a script."""
        desk: Desk = request.app.state.desk
        trouble = ""
        if request.query_params.get("look") == "now":
            try:
                await self._look(desk, again=False)
            except SoakdError as error:
                trouble = f"{error.message}. {error.hint}"
        values = await run_in_threadpool(self._values, desk)
        values["benches"] = {} if self._helper.seen is None else _parts(desk, self._helper.seen)
        values["drill_table"] = _table(desk, values["drills"])
        return show(request, "start.html", title="First start", trouble=trouble, **values)

    async def bench(self, request: Request) -> Response:
        """What the look at the bench came to, as parts of the page."""
        desk: Desk = request.app.state.desk
        try:
            seen = await self._look(desk, again="again" in request.query_params)
        except SoakdError as error:  # no refusal: a browser's console calls that an error
            return JSONResponse({"trouble": error.message, "hint": error.hint})
        return JSONResponse({"parts": _parts(desk, seen), "sheet": seen.sheet})

    async def drill(self, request: Request) -> Response:
        """The table of drills as it is now."""
        desk: Desk = request.app.state.desk
        values = await run_in_threadpool(_drills, desk)
        return JSONResponse({"html": _table(desk, values), "on": values["on"]})

    async def step(self, request: Request) -> Response:
        ask = await read(request, StepAsk)
        await run_in_threadpool(self._helper.note_step, ask.step, ask.did)
        values = await run_in_threadpool(self._values, request.app.state.desk)
        return JSONResponse({"here": values["here"]})

    async def check_sheet(self, request: Request) -> Response:
        """What does not fit in it, without keeping it."""
        ask = await read(request, SheetAsk)
        try:
            return JSONResponse(await run_in_threadpool(self._checked, ask.text))
        except ConfigError as error:
            return JSONResponse({"trouble": error.message})

    async def keep_sheet(self, request: Request) -> Response:
        ask = await read(request, SheetAsk)
        await run_in_threadpool(parsed, ask.text, Sheet, "sheet")
        path = await run_in_threadpool(self._helper.keep, "sheets", ask.name, ask.text)
        await run_in_threadpool(self._helper.note_choice, sheet=f"own/{path.stem}")
        return JSONResponse({"key": f"own/{path.stem}"}, status_code=HTTPStatus.CREATED)

    async def draft_plan(self, request: Request) -> Response:
        ask = await read(request, DraftAsk)
        hours = hours_of(ask.hours)
        desk: Desk = request.app.state.desk
        text = await run_in_threadpool(_sheet_text, desk.home, ask.sheet)
        _refuse_busy(desk)
        drafted = await self._helper.draft(text, hours)
        name = f"{ask.sheet.partition('/')[2][:40]}-{hours:g}h".replace(".", "-")
        return JSONResponse({**drafted.model_dump(mode="json"), "name": name})

    async def keep_plan(self, request: Request) -> Response:
        ask = await read(request, PlanAsk)
        await run_in_threadpool(parsed, ask.text, Plan, "plan")
        path = await run_in_threadpool(self._helper.keep, "plans", ask.name, ask.text)
        await run_in_threadpool(self._helper.note_choice, plan=f"own/{path.stem}")
        return JSONResponse({"key": f"own/{path.stem}"}, status_code=HTTPStatus.CREATED)

    async def check(self, request: Request) -> Response:
        """What the daemon would say to the choice, without queueing it. Remembers the choice."""
        ask = await read(request, ChoiceAsk)
        await run_in_threadpool(self._helper.note_choice, sheet=ask.sheet, plan=ask.plan)
        if ask.plan is None:
            return JSONResponse({"cautions": []})
        desk: Desk = request.app.state.desk
        try:
            return JSONResponse(await desk.control.ask("check", **await run_in_threadpool(_asked, desk.home, ask)))
        except SoakdError as error:
            return JSONResponse({"trouble": " · ".join(filter(None, (error.message, error.hint)))})

    async def queue(self, request: Request) -> Response:
        """As soon as the bench is free. Raises StateError before the cautions were acknowledged."""
        ask = await read(request, ChoiceAsk)
        if self._helper.begun().acknowledged_utc is None:
            raise StateError("the cautions have not been acknowledged", hint="they stand first on this page")
        desk: Desk = request.app.state.desk
        asked = await run_in_threadpool(_asked, desk.home, ask)
        entry = await desk.control.ask("add", **asked)
        return JSONResponse({"entry_id": entry["entry_id"]}, status_code=HTTPStatus.CREATED)

    async def _look(self, desk: Desk, *, again: bool) -> Look:
        if self._helper.seen is None or again:
            _refuse_busy(desk)
        return await self._helper.look(again=again)

    def _values(self, desk: Desk) -> dict[str, Any]:
        begun, drills = self._helper.begun(), _drills(desk)
        sheets = [each for each in stored.sheets(desk.home) if each.problem is None]
        plans = [each for each in stored.plans(desk.home) if each.problem is None]
        sheet = begun.sheet if begun.sheet in {each.key for each in sheets} else None
        done = _done(desk, begun, whole_and_sound=drills["sound"], sheet=sheet)
        steps = view.steps(done, begun.skipped)
        seen = self._helper.seen
        return {
            "steps": {step.name: step for step in steps},
            "here": view.current(steps),
            "cautions": guide.document("cautions", shift=2, prefix="cautions-"),
            "acknowledged_utc": begun.acknowledged_utc,
            "bench": None if seen is None else _bench(seen),
            "drills": drills,
            "sheets": sheets,
            "plans": plans,
            "sheet": sheet,
            "plan": begun.plan if begun.plan in {each.key for each in plans} else FIRST_PLAN,
            "home": desk.home,
            "free_name": _free({each.path.stem for each in stored.sheets(desk.home)}),
        }

    def _checked(self, text: str) -> dict[str, Any]:
        """Raises ConfigError for what is no sheet at all."""
        sheet, seen = parsed(text, Sheet, "sheet"), self._helper.seen
        found = check(sheet) if seen is None else check(sheet, seen.snapshot, channels={c.name for c in seen.channels})
        declared = fields(sheet)
        return {
            "name": sheet.name,
            "findings": [
                {
                    "weight": each.weight,
                    "place": each.place + (f" = {said(declared[each.place])}" if each.place in declared else ""),
                    "text": each.text,
                }
                for each in found
            ],
        }


def _done(desk: Desk, begun: Begun, *, whole_and_sound: bool, sheet: str | None) -> set[StepName]:
    found: set[StepName] = {name for name in begun.seen if name in _BY_EYE}
    if begun.acknowledged_utc is not None:
        found.add("cautions")
    if whole_and_sound:
        found.add("drill")
    if sheet is not None:
        found.add("sheet")
    if desk.shelf.entries(1) or desk.shelf.verdicts(1):
        found.add("plan")
    return found


def _parts(desk: Desk, seen: Look) -> dict[str, Markup]:
    values = _bench(seen) | {"timed": partial(timed, zone=desk.zone)}
    return {part: _filled(desk, "start-bench.html", part=part, **values) for part in sorted(_BY_EYE)}


def _table(desk: Desk, drills: dict[str, Any]) -> Markup:
    return _filled(desk, "start-drill.html", **drills)


def _filled(desk: Desk, template: str, **values: Any) -> Markup:
    return Markup(filled(desk, template, **values))  # noqa: S704 - escaped where it is made


def _free(taken: set[str]) -> str:
    """A name for the next trial."""
    return next(name for number in range(1, len(taken) + 2) if (name := f"trial-{number}") not in taken)


def _bench(seen: Look) -> dict[str, Any]:
    of_interest, others = view.grouped(seen)
    return {
        "seen": seen,
        "of_interest": of_interest,
        "others": others,
        "unwatched": view.unwatched(seen),
        "ready": ready_text([check.state for check in seen.checks]),
    }


def _drills(desk: Desk) -> dict[str, Any]:
    """The call that is on or was the last one, else the last whole round."""
    call, whole = desk.hub.drill, whole_round(desk.home)
    shown = call.shown if call is not None else whole.results if whole is not None else ()
    report = call.report if call is not None else whole
    return {
        "on": call is not None and call.on,
        "call": call,
        "whole": whole,
        "sound": whole is not None and not whole.of("missed"),
        "rows": [view.drill_row(result) for result in shown],
        "summary": list(summary(report)) if report is not None else [],
    }


def _refuse_busy(desk: Desk) -> None:
    """Nothing is looked at that costs time while a soak needs the cores."""
    status = desk.hub.latest
    if status is not None and (status.run or status.drill):
        what = "a soak" if status.run else "a drill"
        raise StateError(f"{what} is on, and it needs the cores", hint="ask again when it has ended")


def _asked(home: Path, ask: ChoiceAsk) -> dict[str, Any]:
    """Raises ConfigError for what is not stored, or cannot be used."""
    if ask.plan is None:
        raise ProblemError(HTTPStatus.UNPROCESSABLE_ENTITY, "usage", "choose a plan")
    sheet = None if ask.sheet is None else stored.sheet(home, ask.sheet).model_dump(mode="json")
    return {"plan": stored.plan(home, ask.plan).model_dump(mode="json"), "sheet": sheet}


def _sheet_text(home: Path, key: str) -> str:
    for each in stored.sheets(home):
        if each.key == key:
            return each.path.read_text(encoding="utf-8")
    raise ProblemError(HTTPStatus.UNPROCESSABLE_ENTITY, "usage", "choose a stored sheet, or save one first")
