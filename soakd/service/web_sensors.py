"""What the page of sensors knows: from the run while one is on, from the kernel's sources while none is.

Sources are read every few seconds, each in a thread of its own, and not while a run is on: its engine reads them then.
Plugins are processes of the run; outside of one nobody asks them.
"""

from __future__ import annotations

import json
import threading
from array import array
from contextlib import closing, suppress
from datetime import datetime
from typing import TYPE_CHECKING, Final

import numpy as np

from soakd import units
from soakd.errors import RefusedError, SoakdError, StoreError
from soakd.model.channels import FOR_NOW, Channel, Role, role_unit
from soakd.model.run import RunRecord
from soakd.report.sensors import ChannelNow
from soakd.rules.assigned import strangers
from soakd.rules.bounds import resolve
from soakd.rules.health import Health
from soakd.sensors.sampler import ThreadedSampler
from soakd.service import bench
from soakd.service.web_hour import MINUTES, Hour
from soakd.store.ledger import Ledger, verdict_in
from soakd.store.reader import Reader
from soakd.web.pages.sensors import SensorsNow

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from soakd.clock import Clock
    from soakd.model.channels import Batch
    from soakd.model.limits import Bound
    from soakd.model.plan import Plan
    from soakd.model.run import ChannelInfo
    from soakd.ports import SensorSource
    from soakd.store.reader import Row

EVERY_S: Final = 5.0
_SILENT_READS: Final = 3
"""That a source may leave out before its last readings are old."""
_FOLLOW_S: Final = 10.0
_PIECE: Final = 1000
"""Ticks that are read at once."""
_HOUR_S: Final = MINUTES * 60.0


class _Resting:
    """A source that is left alone while a run is on."""

    def __init__(self, source: SensorSource, rests: Callable[[], bool]) -> None:
        self.name = source.name
        self._source = source
        self._rests = rests

    def channels(self) -> Sequence[Channel]:
        return self._source.channels()

    def read(self) -> tuple[dict[str, float], dict[str, str]]:
        return ({}, {}) if self._rests() else self._source.read()


class BenchSensors:
    """Made once in the API's process; `begin` starts its threads, which end with it."""

    def __init__(
        self,
        clock: Clock,
        journal: Path,
        roles: Mapping[str, Role],
        plugins: Sequence[str],
        *,
        sources: Sequence[SensorSource] | None = None,
        every_s: float = EVERY_S,
        same_s: float = 2.0,
    ) -> None:
        """`roles`: what the tuner says of channels; `plugins`: names of those that give sensors; `sources`: of the
        bench where none are given; `every_s`: between two reads; `same_s`: within which all who look see the same.
        """
        self._clock = clock
        self._journal = journal
        self._sources = bench.sources(clock) if sources is None else sources
        self._every_s, self._same_s = every_s, same_s
        self._cautions: list[str] = []
        try:
            self._channels = bench.channels(self._sources, (), roles)
        except RefusedError as refused:
            self._channels = bench.channels(self._sources, ())
            self._cautions.append(refused.message)
        own = {name: role for name, role in roles.items() if not name.startswith("plugin/")}
        self._cautions += strangers(self._channels, own)
        if plugins:
            self._cautions.append(f"Sensors of plugins ({', '.join(plugins)}) are read only while a run is on.")
        self._health = Health(self._channels)
        self._hour = Hour()
        self._run: Callable[[], str | None] = lambda: None
        self._taking, self._following = threading.Lock(), threading.Lock()
        self._newest: dict[str, tuple[float, float | None, str | None]] = {}
        """Channel to wall moment, value, and why there is none."""
        self._ticks: _Ticks | None = None
        self._looking = threading.Lock()
        self._made: tuple[float, SensorsNow] | None = None
        self._limits: tuple[str | None, Plan | None] = None, None

    def begin(self, run: Callable[[], str | None]) -> None:
        """`run`: the identifier of the run that is on."""
        self._run = run
        resting = [_Resting(source, lambda: self._run() is not None) for source in self._sources]
        ThreadedSampler(resting, tick_s=self._every_s, clock=self._clock).start(self._take)
        threading.Thread(target=self._follow_on, name="sensors-of-run", daemon=True).start()

    def look(self) -> SensorsNow:
        """Everything as it is now, the same to all who look within a moment. Raises StoreError while a run is on."""
        with self._looking:
            now_s = self._clock.monotonic()
            if self._made is None or now_s - self._made[0] > self._same_s:
                self._made = now_s, self._look()
            return self._made[1]

    def _look(self) -> SensorsNow:
        self._follow()
        with self._following:
            ticks = self._ticks
        now_s = self._clock.wall()
        if ticks is not None and self._run() is not None:
            return self._of_run(ticks, now_s)
        return self._of_bench(now_s)

    def _of_run(self, ticks: _Ticks, now_s: float) -> SensorsNow:
        record = ticks.record
        channels = tuple(
            ChannelNow(
                name=info.name,
                role=info.role,
                unit=info.unit,
                critical=info.critical,
                value=ticks.values.get(info.name),
                gap=None if info.name in ticks.values else _gap(info, ticks),
                minutes=self._hour.of(info.name, now_s),
                bounds=tuple(bound for bound in record.bounds if bound.channel == info.name),
            )
            for info in record.channels
        )
        return SensorsNow(
            channels=channels,
            origin=f"Readings of run {record.run_id}, which is on, as its guard has them",
            limits=f"Limits are those of its plan, “{record.plan.name}”",
            cautions=record.cautions,
        )

    def _of_bench(self, now_s: float) -> SensorsNow:
        with self._taking:
            newest = dict(self._newest)
        told = {channel.name: self._told(channel.name, newest, now_s) for channel in self._channels}
        bounds, limits, cautions = self._bounds({name: gap for name, (_, gap) in told.items() if gap is not None})
        channels = tuple(
            ChannelNow(
                name=channel.name,
                role=channel.role.value,
                unit=role_unit(channel.role),
                critical=channel.critical,
                value=told[channel.name][0],
                gap=told[channel.name][1],
                minutes=self._hour.of(channel.name, now_s),
                bounds=tuple(bound for bound in bounds if bound.channel == channel.name),
            )
            for channel in self._channels
        )
        return SensorsNow(
            channels=channels,
            origin=f"No run is on; the kernel's own sensors are read every {units.duration_text(self._every_s)}",
            limits=limits,
            cautions=(*self._cautions, *cautions),
        )

    def _told(
        self, name: str, newest: Mapping[str, tuple[float, float | None, str | None]], now_s: float
    ) -> tuple[float | None, str | None]:
        """Value, or why there is none; an old reading is none."""
        if name not in newest:
            return None, f"{FOR_NOW}not read yet"
        at_s, value, gap = newest[name]
        if now_s - at_s > _SILENT_READS * self._every_s:
            return None, f"its source has not answered for {units.duration_text(round(now_s - at_s))}"
        return value, gap

    def _bounds(self, gaps: Mapping[str, str]) -> tuple[tuple[Bound, ...], str, tuple[str, ...]]:
        """As the newest verdict's plan would have them here and now, and where they come from."""
        try:
            run_id, plan = self._newest_plan()
        except StoreError as error:
            return (), f"No limits are known: {error.message}", ()
        if plan is None:
            return (), "No plan has been run yet, so no limits are known; a plan's own come with it", ()
        silent = {name: reason for name, reason in gaps.items() if not reason.startswith(FOR_NOW)}
        try:
            bounds, cautions = resolve(plan, self._channels, silent)
        except RefusedError as refused:
            return (), f"The plan that ran last, “{plan.name}”, could not start as the bench is now", (refused.message,)
        return bounds, f"Limits are those of the plan that ran last, “{plan.name}” (run {run_id})", cautions

    def _newest_plan(self) -> tuple[str | None, Plan | None]:
        with closing(Ledger(self._journal)) as ledger:
            line = next(iter(ledger.newest(1)), None)
            if line is not None and line.run_id != self._limits[0]:
                self._limits = line.run_id, verdict_in(ledger.body(line.run_id)).plan
        return self._limits

    def _take(self, batch: Batch) -> None:
        if self._run() is not None:
            return
        now_s = self._clock.wall()
        with self._taking:
            sound = self._health.sift(batch)
            self._newest |= {name: (now_s, value, None) for name, value in sound.values.items()}
            self._newest |= {name: (now_s, None, gap) for name, gap in sound.gaps.items()}
        self._hour.take(now_s, sound.values)

    def _follow_on(self) -> None:
        while True:
            with suppress(SoakdError):
                self._follow()
            self._hour.forget(self._clock.wall())
            self._clock.sleep(_FOLLOW_S)

    def _follow(self) -> None:
        """Take over what the run's journal holds of the hour; also the last of a run that has just ended."""
        run_id = self._run()
        with self._following:
            if self._ticks is not None:
                self._ticks.take(self._hour)
                if self._ticks.record.run_id != run_id:
                    self._ticks = None
            if run_id is not None and self._ticks is None:
                with suppress(ValueError):  # the run is known a moment before its record is written
                    self._ticks = _Ticks(self._journal, run_id, self._clock.wall())
                    self._ticks.take(self._hour)


def _gap(info: ChannelInfo, ticks: _Ticks) -> str:
    """Why the newest tick has no reading of it."""
    usual = "no worker measures it at this moment" if info.role == Role.PROBED_CLOCK else "not in the newest tick"
    return ticks.gaps.get(info.name, f"{FOR_NOW}{usual}")


class _Ticks:
    """Ticks of a run as they come; of those before only the last hour. All methods raise StoreError."""

    def __init__(self, journal: Path, run_id: str, now_s: float) -> None:
        """Raises ValueError where the run is not known."""
        self._journal = journal
        with closing(Reader(journal)) as reader:
            ((body,),) = reader.read("record_of_run", run_id)
            ((_, newest, _),) = reader.read("tick_span", run_id)
        self.record = RunRecord.model_validate_json(body, extra="ignore")
        self.values: dict[str, float] = {}
        self.gaps: dict[str, str] = {}
        self._names = [info.name for info in self.record.channels]
        self._begun_s = datetime.fromisoformat(self.record.started_utc).timestamp()
        kept = int(_HOUR_S / self.record.plan.guard.tick_s)
        self._tick = -1 if newest is None or now_s - self._begun_s < _HOUR_S else int(newest) - kept

    def take(self, hour: Hour) -> None:
        """What has been written since the last time."""
        with closing(Reader(self._journal)) as reader:
            while rows := reader.read("ticks_since", self.record.run_id, self._tick, _PIECE):
                self._keep(rows, hour)

    def _keep(self, rows: list[Row], hour: Hour) -> None:
        width = len(self._names)
        blob = b"".join(row[4] for row in rows)
        if len(blob) != len(rows) * width * array("f").itemsize:
            raise StoreError(f"{self._journal}: ticks of run {self.record.run_id} have another number of channels")
        readings = np.frombuffer(blob, dtype=np.float32).reshape(len(rows), width)
        hour.take_rows([self._begun_s + row[1] for row in rows], self._names, readings)
        self._tick = int(rows[-1][0])
        last = zip(self._names, readings[-1].tolist(), strict=True)
        self.values = {name: value for name, value in last if value == value}  # noqa: PLR0124 - not a number
        self.gaps = json.loads(rows[-1][5]) if isinstance(rows[-1][5], str) else {}
