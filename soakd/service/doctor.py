"""Is this bench ready for an unattended night? Each finding with its remedy; what could not be verified is said too."""

from __future__ import annotations

import os
import resource
import shutil
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import psutil

from soakd import units
from soakd.crew.priority import FIFO_PRIORITY
from soakd.model.channels import Role
from soakd.sensors.snapshot import take_snapshot
from soakd.service import bench
from soakd.store.database import open_for_reading
from soakd.workloads.classes import available

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.clock import Clock
    from soakd.model.channels import Channel
    from soakd.service.home import Home

_LEAST_FREE_BYTES = 512 * 2**20


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One question about the bench."""

    name: str
    state: Literal["good", "weak", "bad"]
    """weak: a night can be run and means less; bad: do not leave this bench alone."""
    text: str
    remedy: str = ""


def examine(home: Home, clock: Clock) -> list[Check]:
    """All checks, in the order in which a tuner would put them right."""
    channels = bench.channels(bench.sources(clock), bench.cores())
    checks: list[Iterator[Check]] = [
        _temperature(channels),
        _other_roles(channels),
        _priority(),
        _locked_memory(),
        _classes(),
        _machine(),
        _power(),
        _state_folder(home),
        _journal(home),
        _not_yet(),
    ]
    return [check for group in checks for check in group]


def _temperature(channels: list[Channel]) -> Iterator[Check]:
    found = [c for c in channels if c.role is Role.CPU_TEMPERATURE]
    if not found:
        yield Check(
            name="processor temperature",
            state="bad",
            text="no sensor: no limit on heat can stop a run here",
            remedy="load the processor's sensor driver (coretemp, k10temp); without, a plan must say `if-available`",
        )
        return
    critical = [c.critical for c in found if c.critical is not None]
    yield Check(
        name="processor temperature",
        state="good" if critical else "weak",
        text=f"{len(found)} channels" + (f", critical {min(critical):g} °C" if critical else ", no critical value"),
        remedy="" if critical else "state a limit on cpu-temperature in the plan",
    )


def _other_roles(channels: list[Channel]) -> Iterator[Check]:
    roles = {c.role for c in channels}
    absent = [
        role.value for role in (Role.COOLANT_TEMPERATURE, Role.FAN, Role.VOLTAGE, Role.POWER) if role not in roles
    ]
    if absent:
        yield Check(
            name="other sensors",
            state="weak",
            text=f"not observed here: {', '.join(absent)}",
            remedy="load the board's sensor driver, if it has one",
        )
    else:
        yield Check(name="other sensors", state="good", text="coolant, fans, voltages and power are observed")


def _priority() -> Iterator[Check]:
    """Tried in a child, so that this process stays as it is."""
    pid = os.fork()
    if pid == 0:
        try:
            os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(FIFO_PRIORITY))
        except OSError:
            os._exit(1)
        os._exit(0)
    permitted = os.waitpid(pid, 0)[1] == 0
    yield Check(
        name="guard priority",
        state="good" if permitted else "weak",
        text="the guard outranks the load (SCHED_FIFO)"
        if permitted
        else "SCHED_FIFO is refused: the guard may be late",
        remedy="" if permitted else "give the account an rtprio limit, or the service CAP_SYS_NICE",
    )


def _locked_memory() -> Iterator[Check]:
    soft, _ = resource.getrlimit(resource.RLIMIT_MEMLOCK)
    free = soft == resource.RLIM_INFINITY or os.geteuid() == 0
    yield Check(
        name="locked memory",
        state="good" if free else "weak",
        text="memory under test can be locked"
        if free
        else f"only {units.size_text(soft)} can be locked: the rest may be swapped",
        remedy="" if free else "raise the memlock limit of the account",
    )


def _classes() -> Iterator[Check]:
    here = available()
    yield Check(name="instruction classes", state="good", text=", ".join(here))


def _machine() -> Iterator[Check]:
    shot = take_snapshot()
    if shot.virtualisation:
        yield Check(
            name="hardware",
            state="weak",
            text=f"a virtual machine ({shot.virtualisation}): clocks, memory and sensors are the host's word",
            remedy="run soakd on the machine itself",
        )
    else:
        yield Check(name="hardware", state="good", text="not virtual, as far as the system shows")
    if shot.absent:
        yield Check(name="settings shown", state="weak", text=f"not readable here: {', '.join(sorted(shot.absent))}")
    if shot.governor not in {None, "performance"}:
        yield Check(
            name="governor",
            state="weak",
            text=f"governor {shot.governor}: stages may begin below the clock that the settings allow",
            remedy="use the governor that the bench will run with; `performance` for the hardest case",
        )


def _power() -> Iterator[Check]:
    try:
        battery = psutil.sensors_battery() if hasattr(psutil, "sensors_battery") else None
    except OSError:
        battery = None  # no power supply class at all: a desktop
    if battery is not None and battery.power_plugged is False:
        yield Check(name="power", state="bad", text="running on battery", remedy="connect the mains")


def _state_folder(home: Home) -> Iterator[Check]:
    place = home.folder
    while not place.exists():
        place = place.parent
    free = shutil.disk_usage(place).free
    writable = os.access(place, os.W_OK)
    enough = free >= _LEAST_FREE_BYTES
    yield Check(
        name="state folder",
        state="good" if writable and enough else "bad",
        text=f"{home.folder}: {units.size_text(free)} free" + ("" if writable else ", not writable"),
        remedy="" if writable and enough else "free some space, or set SOAKD_HOME to another folder",
    )


def _journal(home: Home) -> Iterator[Check]:
    if not home.journal.is_file():
        yield Check(
            name="journal", state="good", text=f"none yet; the first run makes one (SQLite {sqlite3.sqlite_version})"
        )
        return
    connection = open_for_reading(home.journal)
    try:
        result = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
        unfinished = connection.execute("SELECT count(*) FROM run WHERE state <> 'finished'").fetchone()[0]
    finally:
        connection.close()
    yield Check(name="journal", state="good" if result == "ok" else "bad", text=f"quick check: {result}")
    if unfinished:
        yield Check(name="unfinished runs", state="weak", text=f"{unfinished}; the next `soakd run` judges them")


def _not_yet() -> Iterator[Check]:
    """What this version cannot do for a night, said by itself."""
    yield Check(
        name="last resort",
        state="weak",
        text="no independent limiter yet: were guard and journal process to hang together, the load would run on",
        remedy="stay within reach, or have the firmware's own thermal limits set",
    )
    reboot = Path("/sys/fs/pstore")
    if not reboot.is_dir() or not os.access(reboot, os.R_OK):
        yield Check(
            name="crash records", state="weak", text="/sys/fs/pstore cannot be read: a crash leaves no kernel record"
        )
