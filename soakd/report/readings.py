"""All readings of a run as a table: a row for each tick, a column for each channel with its unit in the heading."""

from __future__ import annotations

import csv
import io
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

import numpy as np

from soakd.model.columns import NO_STAGE

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from soakd.model.columns import Columns
    from soakd.model.run import ChannelInfo

LEADING: Final = ("at [s]", "utc", "stage", "rounds")
"""Seconds since the run's start; the bench's clock; the stage's number, from 1; its rounds so far, of all workers."""
_ROWS: Final = 1000
"""Rendered at once."""


def heading(channel: ChannelInfo) -> str:
    """Name and unit: hwmon/k10temp/Tctl [°C]."""
    return f"{channel.name} [{channel.unit}]" if channel.unit else channel.name


def moments(columns: Columns, started_utc: str) -> list[datetime]:
    started = datetime.fromisoformat(started_utc)
    return [started + timedelta(seconds=at_s) for at_s in columns.at_s]


def stage_numbers(columns: Columns) -> list[int | None]:
    """None between stages."""
    return [None if stage == NO_STAGE else stage + 1 for stage in columns.stage]


def csv_parts(columns: Columns, started_utc: str) -> Iterator[str]:
    """RFC 4180 with a point in numbers; an empty cell is a gap. A reading has the fewest digits that give it back."""
    yield _csv([[*LEADING, *map(heading, columns.channels)]])
    width = len(columns.channels)
    readings = np.frombuffer(columns.readings, dtype=np.float32).reshape(-1, width)
    when, stages = moments(columns, started_utc), stage_numbers(columns)
    for begin in range(0, len(when), _ROWS):
        part = range(begin, min(begin + _ROWS, len(when)))
        cells = np.where(np.isnan(readings[part]), "", readings[part].astype(str)).tolist()
        yield _csv(
            [
                [
                    f"{columns.at_s[place]:.3f}",
                    f"{when[place]:%Y-%m-%dT%H:%M:%S.%f}"[:-3] + "Z",
                    "" if (stage := stages[place]) is None else str(stage),
                    str(columns.rounds[place]),
                    *cells[place - begin],
                ]
                for place in part
            ]
        )


def _csv(rows: Sequence[Sequence[str]]) -> str:
    text = io.StringIO()
    csv.writer(text).writerows(rows)
    return text.getvalue()
