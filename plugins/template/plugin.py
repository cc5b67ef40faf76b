"""A sensors plugin to copy: one channel, whose reading is the number in a file.

It shows everything that a sensors plugin has to have: `sensors`, which is called once with the options of soakd.toml,
and what it returns, which has `channels` and `read`. Copy the folder, then change what is marked with 1, 2 and 3.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from soakd.api import Channel, Role

# 1. A name and what it measures; readings are in the unit of the role (°C, rpm, V, A, W, MHz …).
CHANNEL = Channel(name="shelf", role=Role.AMBIENT_TEMPERATURE)


class Probe:
    """What soakd asks."""

    def __init__(self, options: dict[str, Any]) -> None:
        # 2. Whatever your probe needs to know. What does not fit is refused here, before anything runs.
        self._file = Path(options.get("file", Path(__file__).with_name("reading.txt")))

    def channels(self) -> list[Channel]:
        """Asked once. A device that is not there now still has its channels: `read` says why there is no reading."""
        return [CHANNEL]

    def read(self) -> tuple[dict[str, float], dict[str, str]]:
        """Values and gaps: a number for each channel, or else the reason why there is none. Within the time limit."""
        # 3. Read the device.
        try:
            text = self._file.read_text(encoding="utf-8")
        except OSError as error:
            return {}, {CHANNEL.name: f"cannot be read: {error.strerror}"}
        try:
            return {CHANNEL.name: float(text)}, {}
        except ValueError:
            return {}, {CHANNEL.name: f"not a number: {text.strip()[:20]!r}"}


def sensors(options: dict[str, Any]) -> Probe:
    """What soakd looks for in plugin.py, and behind an entry point of the group `soakd.sensors`."""
    return Probe(options)
