"""Is this bench ready for an unattended night? Each finding with its remedy; what could not be verified is said too."""

from __future__ import annotations

import os
import resource
import shutil
import sqlite3
from pathlib import Path
from typing import TYPE_CHECKING

import psutil

from soakd import units
from soakd.crew.priority import FIFO_PRIORITY
from soakd.model.channels import Role
from soakd.rules.differences import words
from soakd.sensors.snapshot import take_snapshot
from soakd.service import bench
from soakd.service.check import Check
from soakd.service.check_drills import alarms
from soakd.service.check_key import bench_key
from soakd.service.check_limiter import hardware_watchdog, limiter
from soakd.service.check_plugins import plugin_sensors, plugin_workloads
from soakd.store.database import open_for_reading
from soakd.workloads.classes import available

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from soakd.clock import Clock
    from soakd.model.channels import Channel
    from soakd.model.configuration import Plugin
    from soakd.service.home import Home

_LEAST_FREE_BYTES = 512 * 2**20


def examine(
    home: Home,
    clock: Clock,
    roles: Mapping[str, Role] | None = None,
    watchdog: str | None = None,
    plugins: Sequence[Plugin] = (),
) -> list[Check]:
    """All checks, in the order in which a tuner would put them right.

    `roles`: what he says of channels. `watchdog`: device of the hardware watchdog that he wants armed. `plugins`: of
    the configuration.
    """
    sources = bench.sources(clock, plugins)
    channels = bench.channels(sources, bench.cores(), roles)
    checks: list[Iterator[Check]] = [
        _temperature(channels),
        _other_roles(channels),
        _silent(bench.unreadable(sources, channels)),
        plugin_sensors(sources),
        plugin_workloads(plugins),
        _priority(),
        _locked_memory(),
        _classes(),
        _machine(),
        _power(),
        _state_folder(home),
        _journal(home),
        bench_key(home),
        limiter(channels),
        hardware_watchdog(watchdog),
        alarms(home),
        _crash_records(),
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
    wanted = {
        "coolant temperature": Role.COOLANT_TEMPERATURE,
        "fans": Role.FAN,
        "voltages": Role.VOLTAGE,
        "processor power": Role.PACKAGE_POWER,
        "memory errors": Role.CORRECTED_MEMORY_ERRORS,
    }
    absent = [words for words, role in wanted.items() if role not in roles]
    if absent:
        yield Check(
            name="other sensors",
            state="weak",
            text=f"not observed here: {', '.join(absent)}",
            remedy="load the drivers of the board's sensors and of its memory controller (EDAC), if it has them",
        )
    else:
        yield Check(name="other sensors", state="good", text=f"observed: {', '.join(wanted)}")


def _silent(reasons: Mapping[str, str]) -> Iterator[Check]:
    """Channels that are there and give nothing, by the reason."""
    alike: dict[str, list[str]] = {}
    for channel, reason in reasons.items():
        alike.setdefault(reason, []).append(channel)
    if alike:
        locked = any(word in reason for reason in alike for word in ("Permission denied", "not permitted"))
        yield Check(
            name="silent sensors",
            state="weak",
            text="; ".join(f"{_first(names)}: {reason}" for reason, names in alike.items()),
            remedy="energy counters take root, the kernel's log CAP_SYSLOG" if locked else "",
        )


def _first(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more"


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
    yield from _settings_shown(shot.absent)
    if shot.governor not in {None, "performance"}:
        yield Check(
            name="governor",
            state="weak",
            text=f"governor {shot.governor}: stages may begin below the clock that the settings allow",
            remedy="use the governor that the bench will run with; `performance` for the hardest case",
        )


def _settings_shown(absent: Mapping[str, str]) -> Iterator[Check]:
    """What the snapshot lacks, by the way in which it does."""
    lacking: dict[str, list[str]] = {}
    for field, reason in absent.items():
        lacking.setdefault(reason.partition(":")[0], []).append(words(field).replace(",", ""))
    if lacking:
        locked = "not permitted" in lacking
        yield Check(
            name="settings shown",
            state="weak",
            text="; ".join(f"{how}: {', '.join(sorted(fields))}" for how, fields in sorted(lacking.items())),
            remedy="run soakd as root, so that verdicts cover what is not permitted too" if locked else "",
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


def _crash_records() -> Iterator[Check]:
    reboot = Path("/sys/fs/pstore")
    if not reboot.is_dir() or not os.access(reboot, os.R_OK):
        yield Check(
            name="crash records", state="weak", text="/sys/fs/pstore cannot be read: a crash leaves no kernel record"
        )
