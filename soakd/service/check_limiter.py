"""What `soakd doctor` says of the last resorts: the limiter and the hardware watchdog."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from soakd.crew.watchdog import TIMEOUT_S
from soakd.errors import RefusedError
from soakd.model.channels import Role
from soakd.rules.last_resort import MARGIN_K
from soakd.sensors.hwmon import HwmonSource
from soakd.sensors.watchdog import watchdog_facts
from soakd.service import reset
from soakd.service.check import Check

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.model.channels import Channel


def limiter(channels: list[Channel]) -> Iterator[Check]:
    files = HwmonSource().inputs()
    found = [c for c in channels if c.role is Role.CPU_TEMPERATURE and c.name in files]
    yield Check(
        name="limiter",
        state="good" if found else "weak",
        text=f"watches the guard, and {len(found)} processor temperatures by itself, {MARGIN_K:g} K above the limits"
        if found
        else "watches only the guard: no processor temperature that it could read from the kernel by itself",
        remedy="" if found else "load the processor's sensor driver (coretemp, k10temp)",
    )


def hardware_watchdog(device: str | None, sys: Path = Path("/sys")) -> Iterator[Check]:
    """What arming it would mean; it is not opened here, for that would start it."""
    name = "hardware watchdog"
    if device is None:
        text = "not armed: a machine that hangs stays so until somebody comes"
        remedy = 'read what shared/docs/guard.md says of it, then set [guard] watchdog = "/dev/watchdog" in soakd.toml'
        yield Check(name=name, state="weak", text=text, remedy=remedy)
        return
    try:
        warnings = reset.cautions(device, sys)
    except RefusedError as error:
        yield Check(name=name, state="bad", text=f"every run is refused: {error.message}", remedy=error.hint)
        return
    facts = watchdog_facts(device, sys)
    yield Check(
        name=name,
        state="bad" if facts.nowayout else "weak" if warnings else "good",
        text="; ".join(warnings) or f"{facts.identity or device}: armed while the load runs, {TIMEOUT_S} s",
        remedy="load its driver without nowayout" if warnings else "",
    )
