"""Nights to report of: constructed runs, and short ones on the virtual bench."""

from __future__ import annotations

from html.parser import HTMLParser

from virtual_parts import lantern, plan, sheet, stage

from soakd.model.columns import Columns
from soakd.model.journal import Tick
from soakd.model.plan import Limit
from soakd.report.page import Night
from soakd.service.reporting import rehearsed_report

SEAL = (("state", "unsigned: for a test"),)
STAGES = (
    stage(name="Heat", duration_s=600.0),
    stage(name="Walk", workload="integer", pattern="walking", dwell_s=20.0, duration_s=300.0),
    stage(name="Memory", workload="memory", memory_percent=20.0, duration_s=300.0),
    stage(name="Pulses", pattern="pulsed", period_s=0.02, on_percent=50.0, duration_s=100.0),
)
TIGHT = (
    Limit(of="cpu-temperature", above="90 °C"),
    Limit(of="cpu-temperature", above="60 °C", then="note"),
    Limit(of="coolant-temperature", above="45 °C"),
)


def night_of(record, verdict, events, **more):
    """As it would be read from the journal."""
    columns = Columns(channels=record.channels)
    for event in events:
        if isinstance(event, Tick):
            columns.take(event)
    return Night(**{"record": record, "verdict": verdict, "events": events, "columns": columns, "seal": SEAL, **more})


def rehearsed(*, errs=False):
    """A rehearsal of twenty minutes and its page; with memory that errs, one with wrong results."""
    wanted = plan(*STAGES, tick_s=2.0, mismatches=8).model_copy(update={"limits": TIGHT})
    return rehearsed_report(wanted, sheet(), trouble() if errs else lantern(), plan_file="trial", seed=1)


def trouble():
    """Memory errs in one byte lane, about once in five minutes of each worker."""
    return lantern(trouble=[{"in": "memory", "every": "5 min", "lane": 3}])


class Document(HTMLParser):
    """Elements in order, and the text that a reader sees or hears."""

    def __init__(self, text):
        super().__init__()
        self.tags, self._open, self._text = [], [], []
        self.feed(text)
        self.text = "".join("".join(self._text).split())

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self._open.append(tag)

    def handle_endtag(self, tag):
        if tag in self._open:
            while self._open.pop() != tag:
                pass

    def handle_data(self, data):
        if self._open and self._open[-1] not in {"script", "style", "title"}:
            self._text.append(data)
