"""Rehearsals for the page: one at a time, each in a process of its own, with a time limit; the last few are kept."""

from __future__ import annotations

import asyncio
import json
import os
import secrets
import signal
import sys
from contextlib import suppress
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import TYPE_CHECKING, Any, Final, Literal

from starlette.concurrency import run_in_threadpool

from soakd import units
from soakd.report.rehearsed_view import RehearsedView
from soakd.web import stored
from soakd.web.problems import ProblemError
from soakd.web.rehearsals import INVENTED, NO_SHEET, RehearsalAsk, RehearsalLine, RehearsalState

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

LIMIT_S: Final = 600.0
_KEPT: Final = 6
_LINE_BYTES: Final = 32 * 2**20
_INVENTED_NAME: Final = "an invented desktop"


@dataclass(slots=True, kw_only=True)
class _Job:
    ask: RehearsalAsk
    names: tuple[str, str | None, str]
    """Of plan, sheet and bench."""
    state: Literal["on", "done", "refused", "given-up"] = "on"
    share: float = 0.0
    text: str = "it begins"
    view: RehearsedView | None = None
    report: str | None = None
    process: asyncio.subprocess.Process | None = field(default=None, repr=False)
    task: asyncio.Task[None] | None = field(default=None, repr=False)


class Rehearsals:
    """Used in the loop's thread alone."""

    def __init__(self, home: Path, limit_s: float = LIMIT_S) -> None:
        self._home = home
        self._limit_s = limit_s
        self._jobs: dict[str, _Job] = {}

    async def begin(self, ask: RehearsalAsk) -> RehearsalState:
        names = await run_in_threadpool(self._names, ask)
        if any(job.state == "on" for job in self._jobs.values()):
            raise ProblemError(
                HTTPStatus.CONFLICT, "state", "a rehearsal is on", hint="one at a time: wait for it, or give it up"
            )
        rehearsal_id, job = secrets.token_hex(4), _Job(ask=ask, names=names)
        self._jobs[rehearsal_id] = job
        for old in list(self._jobs)[:-_KEPT]:
            del self._jobs[old]
        job.task = asyncio.create_task(self._do(job))
        return self.state(rehearsal_id)

    def give_up(self, rehearsal_id: str) -> RehearsalState:
        job = self._job(rehearsal_id)
        if job.state == "on":
            job.state, job.text = "given-up", "given up by hand"
            _kill(job)
        return self.state(rehearsal_id)

    def state(self, rehearsal_id: str) -> RehearsalState:
        job = self._job(rehearsal_id)
        return RehearsalState(rehearsal_id=rehearsal_id, state=job.state, share=job.share, text=job.text)

    def line(self, rehearsal_id: str) -> RehearsalLine:
        job = self._job(rehearsal_id)
        plan, sheet, bench = job.names
        state = self.state(rehearsal_id)
        return RehearsalLine(state=state, ask=job.ask, plan=plan, sheet=sheet, bench=bench, seed=job.ask.seed)

    def lines(self) -> Sequence[RehearsalLine]:
        return [self.line(rehearsal_id) for rehearsal_id in reversed(self._jobs)]

    def view(self, rehearsal_id: str) -> RehearsedView | None:
        return self._job(rehearsal_id).view

    def report(self, rehearsal_id: str) -> str | None:
        return self._job(rehearsal_id).report

    def _job(self, rehearsal_id: str) -> _Job:
        if rehearsal_id not in self._jobs:
            raise ProblemError(
                HTTPStatus.NOT_FOUND,
                "usage",
                f"no rehearsal {rehearsal_id!r} is kept",
                hint=f"the last {_KEPT} are, until the daemon is started anew",
            )
        return self._jobs[rehearsal_id]

    def _names(self, ask: RehearsalAsk) -> tuple[str, str | None, str]:
        """Reads all three, so that a refusal comes at once. Raises ConfigError."""
        plan = stored.plan(self._home, ask.plan).name
        sheet = None if ask.sheet is None else stored.sheet(self._home, ask.sheet).name
        bench = _INVENTED_NAME if ask.bench == INVENTED else stored.bench(self._home, ask.bench).name
        return plan, sheet, bench

    async def _do(self, job: _Job) -> None:
        try:
            job.process = await self._process(job.ask)
            if job.state != "on":  # given up before it had begun
                _kill(job)
            async with asyncio.timeout(self._limit_s):
                await _hear(job)
                if job.state != "given-up":
                    await job.process.wait()
        except TimeoutError:
            limit = units.duration_text(self._limit_s)
            job.state, job.text = "given-up", f"given up after {limit}: a soak that is on leaves no time for it"
        finally:
            _kill(job)
            if job.process is not None:
                await job.process.communicate()
            if job.state == "on":
                job.state, job.text = "given-up", "its process ended without a result; the daemon's log may say why"

    async def _process(self, ask: RehearsalAsk) -> asyncio.subprocess.Process:
        """It yields to everything else."""
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-P", "-m", "soakd.service.rehearse_process", str(os.getpid())),
            *(str(self._home), ask.plan, ask.sheet or NO_SHEET, ask.bench, str(ask.seed)),
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE,
            limit=_LINE_BYTES,
            start_new_session=True,
        )
        with suppress(ProcessLookupError):
            os.sched_setscheduler(process.pid, os.SCHED_IDLE, os.sched_param(0))
        return process


async def _hear(job: _Job) -> None:
    """What the process says, until it ends."""
    if job.process is None or job.process.stdout is None:
        return
    async for line in job.process.stdout:
        if job.state != "on":
            return
        told: dict[str, Any] = json.loads(line)
        if "share" in told:
            job.share = told["share"]
            job.text = f"{100.0 * job.share:.0f} % of the plan"
        elif "refused" in told:
            job.state, job.text = "refused", told["refused"]
        else:
            job.view = await run_in_threadpool(RehearsedView.model_validate_json, told["view"])
            job.report, job.state, job.share, job.text = told["report"], "done", 1.0, job.view.saying
            job.text += f"; {job.view.why}" if job.view.why else ""


def _kill(job: _Job) -> None:
    """Not by the process object, which would take the exit code away from whoever waits for it."""
    if job.process is not None and job.process.returncode is None:
        with suppress(ProcessLookupError):
            os.kill(job.process.pid, signal.SIGKILL)
