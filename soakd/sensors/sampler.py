"""Reads every source on a monotonic grid, each in a thread of its own, so that a slow or hung driver delays nobody."""

from __future__ import annotations

import math
import threading
from typing import TYPE_CHECKING

from soakd.model.channels import Batch
from soakd.ports import RemarkingSource

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from soakd.clock import Clock
    from soakd.ports import SensorSource


class ThreadedSampler:
    """One thread per source; every reading goes out as soon as it is there."""

    def __init__(
        self,
        sources: Sequence[SensorSource],
        *,
        tick_s: float,
        clock: Clock,
        on_thread_start: Callable[[], object] = lambda: None,
    ) -> None:
        """`on_thread_start` runs first in each thread: scheduling priority belongs to threads, not processes."""
        self._sources = sources
        self._tick_s = tick_s
        self._clock = clock
        self._on_thread_start = on_thread_start
        self._stopping = threading.Event()

    def start(self, emit: Callable[[Batch], None]) -> None:
        origin_s = self._clock.monotonic()
        for source in self._sources:
            threading.Thread(
                target=self._sample, args=(source, emit, origin_s), name=f"sensors-{source.name}", daemon=True
            ).start()

    def stop(self) -> None:
        """No thread is waited for: one may hang in a driver. What it says after that goes nowhere."""
        self._stopping.set()

    def _sample(self, source: SensorSource, emit: Callable[[Batch], None], origin_s: float) -> None:
        self._on_thread_start()
        late_ticks = 0
        due = 0
        while True:
            values, gaps = read_safely(source)
            now_s = self._clock.monotonic()
            reached = math.floor((now_s - origin_s) / self._tick_s)
            late_ticks += max(0, reached - due)
            due = max(due, reached) + 1
            if self._stopping.is_set():
                return
            emit(
                Batch(
                    source=source.name,
                    at_s=now_s,
                    values=values,
                    gaps=gaps,
                    late_ticks=late_ticks,
                    remarks=remarks_of(source),
                )
            )
            if self._stopping.wait(max(0.0, origin_s + due * self._tick_s - self._clock.monotonic())):
                return


def read_safely(source: SensorSource) -> tuple[dict[str, float], dict[str, str]]:
    """A finite value or a gap for every channel, whatever the source does: it may be anybody's code."""
    names = [channel.name for channel in source.channels()]
    try:
        values, gaps = source.read()
        said = {**dict.fromkeys(names, "the source did not say"), **gaps}
        sound = {name: float(value) for name, value in values.items() if _is_finite(value)}
    except Exception as error:  # noqa: BLE001 - a source's failure is a value here
        return {}, dict.fromkeys(names, f"the source failed: {type(error).__name__}: {error}")
    said.update(dict.fromkeys(values.keys() - sound.keys(), "not a finite number"))
    return sound, {name: str(reason) for name, reason in said.items() if name not in sound}


def remarks_of(source: SensorSource) -> dict[str, str]:
    """What a source has to say besides its readings; nothing when it fails at that."""
    if not isinstance(source, RemarkingSource):
        return {}
    try:
        return {str(name): str(text) for name, text in source.remarks().items()}
    except Exception as error:  # noqa: BLE001 - as above
        first = next((channel.name for channel in source.channels()), source.name)
        return {first: f"its remarks are lost: {type(error).__name__}: {error}"}


def _is_finite(value: object) -> bool:
    try:
        return math.isfinite(value)  # type: ignore[arg-type]
    except (TypeError, OverflowError):
        return False
