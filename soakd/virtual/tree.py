"""The virtual bench's sensors as a tree of real files, laid out as the kernel's hwmon class lays them out.

Documentation/hwmon/sysfs-interface.rst: a folder for each chip with its `name`, and for each input `*_input`, `*_label`
and, of a temperature, `*_crit`; `in` counts from 0, everything else from 1. Any program that reads sysfs can read it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.virtual.sensors import KINDS, Sensors

if TYPE_CHECKING:
    from pathlib import Path

    from soakd.virtual.bench import Bench

_FIRST = {"in": 0}


class SensorTree:
    """Written once as a whole; `renew` brings its inputs to what the bench's sensors say."""

    def __init__(self, root: Path, bench: Bench) -> None:
        """Fills `root`, which is made if it is not there."""
        self._sensors = Sensors(bench)
        self._inputs: dict[str, Path] = {}
        chips: dict[str, Path] = {}
        counts: dict[tuple[str, str], int] = {}
        for sensor in bench.about.sensors:
            _, driver, label = sensor.channel.split("/", 2)
            if driver not in chips:
                chips[driver] = root / f"hwmon{len(chips)}"
                chips[driver].mkdir(parents=True)
                _put(chips[driver] / "name", driver)
            kind = KINDS[sensor.shows]
            number = counts.setdefault((driver, kind.stem), _FIRST.get(kind.stem, 1))
            counts[driver, kind.stem] += 1
            stem = f"{kind.stem}{number}"
            _put(chips[driver] / f"{stem}_label", label)
            if sensor.critical_c is not None and kind.stem == "temp":
                _put(chips[driver] / f"{stem}_crit", round(sensor.critical_c * 1000))
            self._inputs[sensor.channel] = chips[driver] / f"{stem}_input"
        self.renew()

    def renew(self) -> None:
        """An input that is gone has no file."""
        for channel, raw in self._sensors.look().items():
            if raw is None:
                self._inputs[channel].unlink(missing_ok=True)
            else:
                _put(self._inputs[channel], raw)


def _put(path: Path, content: object) -> None:
    """In one step: a reader sees the old or the new content, never half of it."""
    fresh = path.with_name(f".{path.name}.new")
    fresh.write_text(f"{content}\n", encoding="utf-8")
    fresh.rename(path)
