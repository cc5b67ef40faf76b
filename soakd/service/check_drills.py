"""What `soakd doctor` says of the alarms: whether they were proved on this machine as it is."""

from __future__ import annotations

import os
from importlib.metadata import version
from typing import TYPE_CHECKING, Final

from soakd.service.check import Check
from soakd.service.drill.kept import is_whole, last_report

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.model.drill import DrillReport
    from soakd.service.home import Home

_NAME: Final = "alarms"
_REMEDY: Final = "`soakd drill` proves each of them; it loads the cores for a minute or two"


def alarms(home: Home) -> Iterator[Check]:
    report = last_report(home)
    if report is None:
        yield Check(name=_NAME, state="weak", text="nobody has proved that they work here", remedy=_REMEDY)
        return
    missed = report.of("missed")
    if missed:
        text = f"missed on {report.finished_utc}: {', '.join(result.name for result in missed)}"
        yield Check(name=_NAME, state="bad", text=text, remedy="`soakd drill` with these names says what was seen")
        return
    hidden = report.of("not shown")
    text = f"{len(report.of('caught'))} of {len(report.results)} were proved on {report.finished_utc}"
    if hidden:
        text += f"; not shown: {', '.join(result.name for result in hidden)}"
    stale = _stale(report)
    if stale:
        text += f", {stale}"
    yield Check(name=_NAME, state="weak" if stale or hidden else "good", text=text, remedy=_REMEDY if stale else "")


def _stale(report: DrillReport) -> str:
    """Why it says nothing of the bench as it is; empty where it does."""
    if report.soakd_version != version("soakd"):
        return f"with soakd {report.soakd_version}"
    if report.kernel != os.uname().release:
        return f"under kernel {report.kernel}"
    return "" if is_whole(report) else "and there are more by now"
