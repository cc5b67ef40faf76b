"""Sensor trees for tests: written under any folder, and shown to a real program as /sys/class/hwmon.

File names, units and meaning are those of the kernel's hwmon class (Documentation/hwmon/sysfs-interface.rst). A
program sees the tree inside a user and mount namespace of its own (user_namespaces(7), mount_namespaces(7)); the
folder stays in the test's hands, so that a value can change, or a sensor vanish, while the program runs. Folders
`.powercap`, `.dmi` and `.cpufreq` in it are shown as /sys/class/powercap, /sys/class/dmi/id and
/sys/devices/system/cpu/cpufreq, the last one on machines too that have none.
"""

from __future__ import annotations

import contextlib
import functools
import os
import shutil
import signal
import subprocess
import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

NOT_SHOWN = "not shown on this machine"

_ENTER = """
set -e
mount -t tmpfs tmpfs /sys/class
mkdir /sys/class/hwmon
mount --bind "$1" /sys/class/hwmon
if [ -d "$1/.powercap" ]; then
    mkdir /sys/class/powercap
    mount --bind "$1/.powercap" /sys/class/powercap
fi
if [ -d "$1/.dmi" ]; then
    mkdir -p /sys/class/dmi/id
    mount --bind "$1/.dmi" /sys/class/dmi/id
fi
cpu=/sys/devices/system/cpu
if [ -d "$1/.cpufreq" ]; then
    if [ ! -d $cpu/cpufreq ]; then
        mkdir "$1/.cpu"
        mount --rbind $cpu "$1/.cpu"
        mount -t tmpfs tmpfs $cpu
        for real in "$1"/.cpu/*; do
            place=$cpu/${real##*/}
            if [ -d "$real" ]; then mkdir "$place"; else touch "$place"; fi
            mount --rbind "$real" "$place"
        done
        mkdir $cpu/cpufreq
    fi
    mount --bind "$1/.cpufreq" $cpu/cpufreq
fi
for real in /sys/devices/platform/coretemp.*; do
    if [ -d "$real" ]; then mount -t tmpfs tmpfs "$real"; fi
done
shift
exec "$@"
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chip:
    """One hwmonN folder."""

    driver: str | None
    """Content of `name`; None for a chip that has no such file."""
    files: Mapping[str, object] = field(default_factory=dict)
    """File name to content, in the kernel's units: temp1_input 45000, in0_input 1200, fan1_input 900."""
    device: str | None = None
    """Bus address behind the `device` link; None for a chip without one."""
    old_style: bool = False
    """The files lie in `device/`, as drivers of the first API have them."""


DESKTOP = (
    Chip(
        driver="k10temp",
        device="0000:00:18.3",
        files={"temp1_input": 45000, "temp1_label": "Tctl", "temp3_input": 43250, "temp3_label": "Tccd1"},
    ),
    Chip(
        driver="nct6799",
        device="nct6775.656",
        files={"temp1_input": 33000, "temp1_label": "SYSTIN", "fan1_input": 910, "fan2_input": 1240, "in0_input": 1104},
    ),
    Chip(driver="nvme", device="nvme0", files={"temp1_input": 38850, "temp1_label": "Composite", "temp1_crit": 84850}),
)
"""A plain desktop: processor, board chip, drive."""


def make_hwmon(root: Path, chips: Sequence[Chip], *, numbers: Sequence[int] | None = None) -> Path:
    """Write the chips as hwmon0, hwmon1 … (or with the numbers given) under `root`; returns `root`."""
    root.mkdir(parents=True, exist_ok=True)
    for number, chip in zip(numbers or range(len(chips)), chips, strict=True):
        folder = root / f"hwmon{number}"
        folder.mkdir()
        place = folder
        if chip.device is not None:
            device = root / ".devices" / chip.device
            device.mkdir(parents=True, exist_ok=True)
            (folder / "device").symlink_to(Path("..", ".devices", chip.device))
            place = device if chip.old_style else folder
        elif chip.old_style:
            place = folder / "device"
            place.mkdir()
        names = {} if chip.driver is None else {"name": chip.driver}
        for file, content in {**names, **chip.files}.items():
            put(place / file, content)
    return root


def put(path: Path, content: object) -> None:
    """Give a file a new content in one step: a reader sees the old or the new one, never an empty file."""
    fresh = path.with_name(f".{path.name}.new")
    fresh.write_bytes(content if isinstance(content, bytes) else f"{content}\n".encode())
    fresh.rename(path)


def bench_command(tree: Path, command: Sequence[str]) -> list[str]:
    """Arguments that run `command` with `tree` as its /sys/class/hwmon.

    Every step replaces the one before it: the process that is started becomes the command, so that its process id,
    its signals and its exit code are the command's own.
    """
    return ["unshare", "-rm", "--", "sh", "-c", _ENTER, "bench", str(tree.resolve()), *command]


def bench_python(tree: Path, code: str, *arguments: str, timeout_s: float = 20.0) -> str:
    """Standard output of a Python snippet that sees `tree`; its failure is the test's."""
    command = bench_command(tree, [sys.executable, "-c", code, *arguments])
    done = subprocess.run(command, capture_output=True, text=True, timeout=timeout_s, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


@contextlib.contextmanager
def on_bench(tree: Path, command: Sequence[str], **options) -> Iterator[subprocess.Popen[str]]:
    """A running command that sees `tree`; it and its process group are gone afterwards."""
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    started = subprocess.Popen(bench_command(tree, command), start_new_session=True, **{**pipes, **options})
    with started:
        try:
            yield started
        finally:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(started.pid, signal.SIGKILL)


@functools.cache
def namespaces_work() -> str | None:
    """None when this machine can show a virtual tree; otherwise the reason why it cannot."""
    for tool in ("unshare", "mount", "sh"):
        if shutil.which(tool) is None:
            return f"there is no {tool} command"
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "seen").touch()
        command = bench_command(Path(folder), ["ls", "/sys/class/hwmon"])
        done = subprocess.run(command, capture_output=True, text=True, timeout=20, check=False)
    if done.returncode != 0:
        return done.stderr.strip() or f"unshare ended with {done.returncode}"
    return None if done.stdout.split() == ["seen"] else "the tree does not appear under /sys/class/hwmon"


def need_namespaces() -> None:
    """Call it in a test or fixture that needs a virtual tree: what cannot be shown here is reported by name."""
    reason = namespaces_work()
    if reason is not None:
        pytest.skip(f"{NOT_SHOWN}: {reason}")
