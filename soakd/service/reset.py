"""The hardware watchdog of this bench before and after a run: what a tuner must know of it, and how it stands down."""

from __future__ import annotations

import os
import stat
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from soakd.crew import watchdog
from soakd.errors import RefusedError
from soakd.sensors.watchdog import watchdog_facts

if TYPE_CHECKING:
    from soakd.model.run import RunRecord


def cautions(device: str, sys: Path = Path("/sys")) -> tuple[str, ...]:
    """What has to be said before a run arms it. Raises RefusedError when it plainly cannot be armed."""
    try:
        kind = Path(device).stat().st_mode
    except OSError as error:
        raise RefusedError(f"hardware watchdog {device}: {error.strerror}", hint="load its driver") from None
    if not stat.S_ISCHR(kind):
        raise RefusedError(f"{device} is no hardware watchdog: not a device")
    if not os.access(device, os.W_OK):
        raise RefusedError(
            f"hardware watchdog {device}: not permitted", hint="a udev rule can give it to soakd's group"
        )
    nowayout = watchdog_facts(device, sys).nowayout
    if nowayout:
        return (f"{device} cannot be stopped again (nowayout): this machine RESETS soon after the end of every run",)
    if nowayout is None:
        return (f"whether {device} can be stopped again is not shown here: if not, this machine resets after a run",)
    return ()


def stand_down(record: RunRecord) -> None:
    """After a guard that did not end by itself, and only with the load gone: the machine need not be reset for it."""
    if record.watchdog is not None:
        with suppress(OSError, RefusedError):
            watchdog.stand_down(record.watchdog)


def reset_by_watchdog(device: str | None) -> bool | None:
    """Whether this boot followed the watchdog's reset; None where there is none or it does not say."""
    return None if device is None else watchdog_facts(device).fired
