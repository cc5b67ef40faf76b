"""What a monitoring system is told, in the OpenMetrics text format.

Fed by one small snapshot, so that rendering touches neither the journal nor a sensor. Names end in the base unit that
the convention asks for; the label is the channel, and a run's identifier stands in an `_info` metric alone, so that the
number of time series does not grow with the number of runs.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from prometheus_client.core import (
    CollectorRegistry,
    CounterMetricFamily,
    GaugeMetricFamily,
    InfoMetricFamily,
    StateSetMetricFamily,
)
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from prometheus_client.core import Metric

_SHOWN: Final = {
    "°C": ("celsius", 1.0, "temperature"),
    "rpm": ("rpm", 1.0, "fan or pump speed"),
    "V": ("volts", 1.0, "voltage"),
    "A": ("amperes", 1.0, "current"),
    "W": ("watts", 1.0, "power"),
    "MHz": ("hertz", 1e6, "clock"),
    "%": ("ratio", 0.01, "share of one"),
    "MiB": ("bytes", 2.0**20, "data size"),
    "L/h": ("litres_per_hour", 1.0, "flow"),
    "s": ("seconds", 1.0, "time since the run began"),
    "events": ("events", 1.0, "events since the run began"),
    "": ("state", 1.0, "yes as 1, no as 0"),
}
"""Unit of a role to the end of the metric's name, the factor to that unit, and what it is."""
_UNITS = {name for name, _, _ in _SHOWN.values()} - {"state"} | {"seconds"}
RUN_STATES = ("idle", "starting", "soaking", "stopping")
OUTCOMES = ("pass", "fail", "inconclusive")


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelNow:
    """One channel at the latest tick."""

    name: str
    role: str
    unit: str
    """As `role_unit` says."""
    value: float | None
    """None for a gap."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunNow:
    """The run that is on."""

    run_id: str
    plan: str
    sheet: str | None
    stage: int | None
    """Counted from nought; None between stages."""
    stages: int
    elapsed_s: float
    """Load time so far, within the plan."""
    remaining_s: float
    rounds: int
    mismatches: int
    least_margin: dict[str, float] = field(default_factory=dict)
    """Channel to what is left until its nearest bound, in the channel's unit."""
    left: dict[tuple[str, str], float] = field(default_factory=dict)
    """What is limited and the limit in words, to what is left of it as a share of itself; infinite where that is 0."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MetricsView:
    """Everything that is rendered. Totals count since the daemon started, and only grow."""

    version: str
    started_at_s: float
    """Wall clock, seconds since the epoch."""
    state: str = "idle"
    """One of RUN_STATES."""
    channels: tuple[ChannelNow, ...] = ()
    run: RunNow | None = None
    runs: dict[str, int] = field(default_factory=dict)
    """Outcome to runs judged."""
    rounds: int = 0
    mismatches: int = 0
    ticks: int = 0
    ticks_lost: int = 0
    late_s: float | None = None
    """How late the guard's latest tick was."""
    entries: dict[str, int] = field(default_factory=dict)
    """Queue's state to entries in it."""
    messages_waiting: int = 0
    messages_given_up: int = 0
    verdict_outcome: str | None = None
    verdict_at_s: float | None = None
    covered: bool | None = None
    """The bench as it is now is covered by a passing verdict; None while nobody knows."""


def render(view: MetricsView) -> tuple[bytes, str]:
    """The exposition and its content type."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_View(view))
    text: bytes = generate_latest(registry)  # type: ignore[no-untyped-call]
    return text, CONTENT_TYPE_LATEST


class _View(Collector):
    def __init__(self, view: MetricsView) -> None:
        self._view = view

    def collect(self) -> Iterable[Metric]:
        yield from _sensors(self._view.channels)
        yield from _daemon(self._view)
        yield from _queue(self._view)
        yield from _verdicts(self._view)
        if self._view.run is not None:
            yield from _run(self._view.run, {channel.name: channel.unit for channel in self._view.channels})


def _sensors(channels: tuple[ChannelNow, ...]) -> Iterator[Metric]:
    for unit, (name, factor, what) in _SHOWN.items():
        own = [channel for channel in channels if channel.unit == unit]
        if not own:
            continue
        family = _gauge(f"soakd_sensor_{name}", f"Latest reading: {what}.", ["channel", "role"])
        for channel in own:
            if channel.value is not None:
                family.add_metric([channel.name, channel.role], channel.value * factor)
        yield family
    there = _gauge("soakd_sensor_present", "1 when the channel had a reading, 0 for a gap.", ["channel", "role"])
    for channel in channels:
        there.add_metric([channel.name, channel.role], float(channel.value is not None))
    yield there


def _daemon(view: MetricsView) -> Iterator[Metric]:
    yield InfoMetricFamily("soakd_build", "The daemon.", value={"version": view.version})
    yield _single("soakd_start_time_seconds", "When the daemon started, since the epoch.", view.started_at_s)
    states = {state: state == view.state for state in RUN_STATES}
    yield StateSetMetricFamily("soakd_run_state", "Where the current run is.", value=states)
    yield CounterMetricFamily("soakd_rounds", "Rounds of work that were checked.", value=view.rounds)
    yield CounterMetricFamily("soakd_wrong_results", "Results that differed from the right one.", value=view.mismatches)
    yield CounterMetricFamily("soakd_guard_ticks", "Points of the sampling grid.", value=view.ticks)
    yield CounterMetricFamily("soakd_guard_lost_ticks", "Those that the guard missed.", value=view.ticks_lost)
    if view.late_s is not None:
        yield _single("soakd_guard_lateness_seconds", "How late the latest tick was.", view.late_s)


def _queue(view: MetricsView) -> Iterator[Metric]:
    entries = _gauge("soakd_queue_entries", "Entries by state.", ["state"])
    for state, count in sorted(view.entries.items()):
        entries.add_metric([state], count)
    yield entries
    yield _single("soakd_messages_waiting", "Messages on their way to somebody.", view.messages_waiting)
    yield _single("soakd_messages_given_up", "Messages that never reached their target.", view.messages_given_up)


def _verdicts(view: MetricsView) -> Iterator[Metric]:
    runs = CounterMetricFamily("soakd_runs", "Runs judged, by outcome.", labels=["outcome"])
    for outcome in OUTCOMES:
        runs.add_metric([outcome], view.runs.get(outcome, 0))
    yield runs
    if view.verdict_at_s is not None:
        yield _single("soakd_last_verdict_time_seconds", "When the latest verdict was made.", view.verdict_at_s)
        outcomes = {outcome: outcome == view.verdict_outcome for outcome in OUTCOMES}
        yield StateSetMetricFamily("soakd_last_verdict", "Outcome of the latest verdict.", value=outcomes)
    if view.covered is not None:
        yield _single("soakd_bench_covered", "1 when a pass covers the bench as it is now.", float(view.covered))


def _run(run: RunNow, units: dict[str, str]) -> Iterator[Metric]:
    about = {"run_id": run.run_id, "plan": run.plan, "sheet": run.sheet or ""}
    yield InfoMetricFamily("soakd_run", "The run that is on.", value=about)
    yield _single("soakd_run_stages", "Stages of its plan.", run.stages)
    if run.stage is not None:
        yield _single("soakd_run_stage", "The stage that is on, counted from 1.", run.stage + 1)
    yield _single("soakd_run_elapsed_seconds", "Load time so far.", run.elapsed_s)
    yield _single("soakd_run_remaining_seconds", "Load time still planned.", run.remaining_s)
    yield _single("soakd_run_rounds", "Rounds checked in this run.", run.rounds)
    yield _single("soakd_run_wrong_results", "Wrong results in this run.", run.mismatches)
    for unit, (name, factor, _) in _SHOWN.items():
        own = {channel: left for channel, left in run.least_margin.items() if units.get(channel) == unit}
        if own:
            family = _gauge(f"soakd_run_margin_{name}", "Left until the channel's nearest bound.", ["channel"])
            for channel, left in sorted(own.items()):
                family.add_metric([channel], left * factor)
            yield family
    if run.left:
        family = _gauge("soakd_run_left_ratio", "Left until each limit, as a share of it.", ["channel", "limit"])
        for (what, limit), left in sorted(run.left.items()):
            family.add_metric([what, limit], left)
        yield family


def _gauge(name: str, about: str, labels: list[str]) -> GaugeMetricFamily:
    return GaugeMetricFamily(name, about, labels=labels, unit=_unit(name))


def _single(name: str, about: str, value: float) -> GaugeMetricFamily:
    return GaugeMetricFamily(name, about, value=value, unit=_unit(name))


def _unit(name: str) -> str:
    """The unit that a name ends in, as OpenMetrics wants it stated; empty for counts and yes/no."""
    ending = name.rpartition("_")[2]
    return ending if ending in _UNITS else ""
