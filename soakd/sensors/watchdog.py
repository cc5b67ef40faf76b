"""What the kernel shows of a hardware watchdog without opening it: that would start it.

Documentation/ABI/testing/sysfs-class-watchdog. It takes CONFIG_WATCHDOG_SYSFS; without, nothing is known, and said so.
"""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass
from pathlib import Path

from soakd.sensors.inputs import Gap, content, count, entries, text

FIRST = (10, 130)
"""/dev/watchdog, which is another name for the first one (admin-guide/devices.txt)."""
CARD_RESET = 0x20
"""WDIOF_CARDRESET of linux/watchdog.h: the last reboot was this watchdog's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchdogFacts:
    """None where the kernel does not say."""

    identity: str
    nowayout: bool | None
    """Once opened it cannot be stopped."""
    fired: bool | None
    """This boot followed its reset."""


def watchdog_facts(device: str, sys: Path = Path("/sys")) -> WatchdogFacts:
    """Never opens the device. Nothing is known of one that is not there."""
    folder = _folder(device, sys / "class/watchdog")
    if folder is None:
        return WatchdogFacts(identity="", nowayout=None, fired=None)
    nowayout, status = (_number(folder / name) for name in ("nowayout", "bootstatus"))
    return WatchdogFacts(
        identity=text(folder / "identity"),
        nowayout=None if nowayout is None else bool(nowayout),
        fired=None if status is None else bool(status & CARD_RESET),
    )


def _folder(device: str, root: Path) -> Path | None:
    try:
        about = Path(device).stat()
    except OSError:
        return None
    if not stat.S_ISCHR(about.st_mode):
        return None
    numbers = os.major(about.st_rdev), os.minor(about.st_rdev)
    if numbers == FIRST:
        return root / "watchdog0" if (root / "watchdog0").is_dir() else None
    wanted = f"{numbers[0]}:{numbers[1]}"
    return next((root / name for name in entries(root) if _device(root / name) == wanted), None)


def _device(folder: Path) -> str:
    try:
        return content(folder / "dev").decode(errors="replace").strip()
    except OSError:
        return ""


def _number(path: Path) -> int | None:
    try:
        return count(path)
    except Gap:
        return None
