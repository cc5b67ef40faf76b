"""Drills for the terminal: one line each, then what the whole of them says."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich import box
from rich.table import Table
from rich.text import Text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import RenderableType

    from soakd.model.drill import DrillReport, DrillResult

STYLES = {"caught": "green", "missed": "bold red", "not shown": "yellow"}
NARROW = 110
"""Columns below which a table would only break words."""


def drill_text(report: DrillReport, width: int) -> Iterator[RenderableType]:
    """In parts, for a terminal of so many columns."""
    if width >= NARROW:
        yield _table(report)
    else:
        for result in report.results:
            rest = f" {result.name}: {result.injected} → {', '.join(filter(None, (noticed(result), *how(result))))}"
            yield Text.assemble((result.state, STYLES[result.state]), rest)
    yield Text("\n".join(summary(report)))


def _table(report: DrillReport) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for title in ("", "drill"):
        table.add_column(title, no_wrap=True)
    for title in ("what was done", "noticed by, and as"):
        table.add_column(title, overflow="fold")
    table.add_column("after", justify="right", no_wrap=True)
    table.add_column("how real", no_wrap=True)
    for result in report.results:
        state = Text(result.state, style=STYLES[result.state])
        table.add_row(state, result.name, result.injected, noticed(result), *how(result))
    return table


def noticed(result: DrillResult) -> str:
    """Who noticed it and as what; what was expected and seen instead, where it was missed."""
    if result.state == "caught":
        return f"{result.noticed_by}: {result.rule}, {result.outcome}" if result.rule else f"harmless: {result.outcome}"
    return f"{result.expected} was expected; {result.why}" if result.state == "missed" else ""


def how(result: DrillResult) -> tuple[str, str]:
    """How soon, and how real."""
    if result.latency_s is None or not result.rule:
        return "", result.reality
    took = f"{result.latency_s * 1000:.0f} ms" if result.latency_s < 1.0 else f"{result.latency_s:.1f} s"
    return took if result.until == "load gone" else f"{took}*", result.reality


def summary(report: DrillReport) -> Iterator[str]:
    """What all of them together say."""
    yield f"{len(report.of('caught'))} of {len(report.results)} alarms were proved, in {report.took_s:.0f} s."
    if any(result.until != "load gone" for result in report.results):
        yield "* to the finding or the verdict: nothing has to stop; all others until the load was gone"
    missed = ", ".join(result.name for result in report.of("missed"))
    if missed:
        yield f"MISSED: {missed}. Do not leave this bench alone before you know why."
    for result in report.of("not shown"):
        yield f"Not shown here: {result.name}: {result.why}"
    for result in report.of("caught"):
        if result.why:
            yield f"Not real: {result.name}: {result.why}"
