"""The report of one verdict as one HTML file that needs nothing else: everything is worked out here, then filled in.

Words and numbers come from the view that the terminal shows; what is added is the course of the run.
"""

from __future__ import annotations

import json
import re
from base64 import b64encode
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from html import unescape
from typing import TYPE_CHECKING, Final

from markupsafe import Markup

from soakd.report.assets import asset, environment
from soakd.report.course import PARTS, axis, followed, stage_courses, strip_views
from soakd.report.drawn import HEIGHT
from soakd.report.glance import glance
from soakd.report.leads import CAUTION as LEADS_CAUTION
from soakd.report.leads import SAYING as LEADS_SAYING
from soakd.report.points_html import points_html
from soakd.report.sources import DOCUMENT, sources
from soakd.report.text import CAUTION
from soakd.report.traces import groups, numbers_text
from soakd.report.unfinished import WORDS, unfinished
from soakd.report.view import view
from soakd.report.wrong import wrong_view
from soakd.rules.leads import leads

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import tzinfo

    from soakd.model.columns import Columns
    from soakd.model.journal import Event
    from soakd.model.run import RunRecord
    from soakd.model.verdict import Verdict
    from soakd.report.course import Axis
    from soakd.report.traces import GroupView
    from soakd.report.view import VerdictView

Row = tuple[str, str]
THINNED: Final = (
    "Retention has thinned this run's readings: the strips and traces below are drawn from every tenth tick and the "
    "extremes. Verdict and numbers were made from all of them."
)
NO_TICKS: Final = "No readings of this run are kept, so there is nothing to draw."
_FIRST_REASONS: Final = 5
"""That stand there at once; the gravest come first."""
_FEWEST: Final = 2
"""Ticks for each part of the time, where the run is short."""
_STATED: Final = re.compile(r'<meta http-equiv="Content-Security-Policy" content="([^"]+)">')
_POLICY: Final = "default-src 'none'; script-src {script}; style-src {style}; base-uri 'none'; form-action 'none'"


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """All that a report is made of."""

    record: RunRecord
    verdict: Verdict
    events: Sequence[Event]
    """Without ticks, or with them."""
    columns: Columns
    seal: tuple[Row, ...]
    """Signature and place, in words."""
    model: str = ""
    """What has to be said first where nothing of it is real; else empty."""
    zone: tzinfo | None = None
    """The bench's own; None where it is not known."""
    so_far: str = ""
    """What has to be said first where the run goes on; else empty."""
    ways: tuple[Row, ...] = ()
    """Address and name of what it leads to where it is served; a file leads nowhere."""
    files: tuple[Row, ...] = ()
    """Likewise of what can be had of the run as a file."""


def page(night: Night) -> str:
    """The whole file."""
    shown = view(night.verdict) if not night.so_far else unfinished(view(night.verdict), night.verdict)
    courses, ended_s = followed(night.record, night.events, night.columns)
    parts = max(1, min(PARTS, len(night.columns.at_s) // _FEWEST))
    time = axis(courses.stages(), ended_s, night.verdict, parts, going=bool(night.so_far))
    strips = strip_views(courses.strips(ended_s, parts), shown, night.verdict, time)
    traces = groups(night.columns, night.verdict, time)
    wrong = wrong_view(night.verdict)
    channels, rows = stage_courses(time, night.columns)
    style, script = (
        asset("report.css") + asset("uplot/uPlot.min.css"),
        asset("uplot/uPlot.iife.min.js") + asset("report.js"),
    )
    return environment().get_template("report.html").render(
        shown=shown,
        verdict=night.verdict,
        first_reasons=_FIRST_REASONS,
        model=night.model,
        word=night.verdict.outcome if not night.so_far else WORDS[night.verdict.outcome],
        so_far=night.so_far,
        ways=night.ways,
        files=night.files,
        identity=_identity(shown, night),
        glance=glance(night.verdict, shown),
        leads=leads(night.verdict),
        leads_caution=LEADS_CAUTION,
        leads_saying=LEADS_SAYING,
        points=Markup(points_html(shown.points)) if shown.points else None,  # noqa: S704 - escaped where it is made
        time=time,
        height=HEIGHT,
        strips=strips,
        traces=traces,
        cautions=_cautions(night.columns),
        stage_channels=channels,
        stage_rows=rows,
        wrong=wrong,
        channels=tuple(_channels(night.verdict)),
        seal=night.seal,
        sources=sources(shown.numbers),
        document=DOCUMENT,
        caution=CAUTION,
        closer=_closer(traces, time),
        style=Markup(style),  # noqa: S704 - our own
        script=Markup(script),  # noqa: S704 - our own
        policy=_POLICY.format(script=_digest(script), style=_digest(style)),
    )  # fmt: skip


def policy_of(text: str) -> str:
    """The policy that a report states of itself, for whoever serves it; and that no other page may frame it."""
    stated = _STATED.search(text)
    if stated is None:
        raise ValueError("a report states its policy")
    return f"{unescape(stated[1])}; frame-ancestors 'none'"


def moment_text(utc: str, zone: tzinfo | None) -> str:
    """2026-11-26 03:08:11 UTC (04:08:11 +01:00 on the bench)."""
    moment = datetime.fromisoformat(utc)
    text = f"{moment:%Y-%m-%d %H:%M:%S} UTC"
    if zone is None:
        return text
    here = moment.astimezone(zone)
    day = f"{here:%Y-%m-%d} " if here.date() != moment.date() else ""
    return f"{text} ({day}{here:%H:%M:%S} {here:%Z} on the bench)"


def _identity(shown: VerdictView, night: Night) -> Iterator[Row]:
    """The view's rows, with the bench's own time, and the whole fingerprint."""
    for key, value in shown.identity:
        if key == "started":
            yield key, moment_text(value, night.zone)
            told = "so far until" if night.so_far else "ended"
            yield told, moment_text(night.verdict.evidence.finished_utc, night.zone)
        elif key == "fingerprint":
            yield key, night.verdict.fingerprint
        else:
            yield key, value


def _cautions(columns: Columns) -> Iterator[str]:
    if columns.thinned:
        yield THINNED
    if not columns.at_s:
        yield NO_TICKS


def _channels(verdict: Verdict) -> Iterator[tuple[str, str, str, str]]:
    """Name, role, what it read, how often."""
    for channel in verdict.evidence.channels:
        read = "never read"
        if channel.minimum is not None and channel.mean is not None and channel.maximum is not None:
            read = numbers_text(channel.minimum, channel.mean, channel.maximum, channel.unit)
        why = "".join(f"; {count} × {reason}" for reason, count in channel.gap_reasons.items())
        yield channel.name, channel.role, read, f"{channel.readings} readings, {channel.gaps} gaps{why}"


def _closer(traces: Sequence[GroupView], time: Axis) -> Markup:
    """For the script; no `<` of a name may end the element that it stands in."""
    document = {"ended_s": time.ended_s, "parts": time.parts, "groups": [list(group.closer) for group in traces]}
    text = json.dumps(document, ensure_ascii=False, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c"))  # noqa: S704 - escaped here


def _digest(text: str) -> str:
    return f"'sha256-{b64encode(sha256(text.encode()).digest()).decode()}'"
