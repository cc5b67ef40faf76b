"""10,000 trees that no kernel would write: nothing raises, nothing waits, every channel is a value or a stated gap."""

from __future__ import annotations

import contextlib
import math
import os
import shutil
import tempfile
from pathlib import Path
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from kernel_trees import DESKTOP_ZONES, RANGE_UJ, Thread, controller, edac, powercap, throttling, zone

from soakd.clock import FakeClock
from soakd.sensors.edac import EdacSource
from soakd.sensors.hwmon import HwmonSource
from soakd.sensors.kernel_log import KernelLogSource
from soakd.sensors.powercap import PowercapSource
from soakd.sensors.sampler import remarks_of
from soakd.sensors.throttling import ThrottleSource

BATCHES, TREES = 25, 400 if "SOAKD_THOROUGH" in os.environ else 40
"""In each batch; 10,000 in all when asked to be thorough, a thousand every time."""
NUMBERS = [0, 1, 7, -1, -(10**9), 2**31 - 1, 2**63, 10**18 - 1, 10**30, RANGE_UJ, RANGE_UJ + 1, 65_261_850]
JUNK = [
    b"", b"\n", b" ", b"\x00", b"\xff\xfe", b"N/A\n", b"nan", b"inf", b"1e3", b"0x10", b"4_5", "٤٥".encode(),
    b"1" * 9000, b"12 34\n", b"-\n", b"+5\n", b"package-0", b"package-0/../core", b"dimm1", b"Tctl", b"\x1b[31mred\n",
    b"a\nb\n",
]  # fmt: skip
NAMES = ["intel-rapl:0", "intel-rapl:0:0:0", "intel-rapl:9999:1", "intel-rapl:00", "a:1", "mc00", "mc7", "mc", "cpu007",
         "cpu٣", "cpu9999999", "hwmon9", "dimm00", "rank1", "name", "temp1_input", "..x", " ", "x\ny", "é"]  # fmt: skip
LINES = [
    b"",
    b"\n",
    b"4,1,1,-;EDAC MC0: 1 CE on A",
    b"4,1,1,c;",
    b"4,1,1,+;[Hardware Error]: x",
    b";;;",
    b"-1,0,0,-;BUG: ",
]
HWMON = {
    "hwmon0/name": "k10temp", "hwmon0/temp1_input": 45000, "hwmon0/temp1_label": "Tctl", "hwmon0/temp1_fault": 0,
    "hwmon0/temp1_crit": 95000, "hwmon1/device/name": "board", "hwmon1/device/fan1_input": 900,
    "hwmon1/device/fan1_label": "Flow [dL/h]", "hwmon1/device/power1_average": 7, "hwmon1/device/in0_input": 1,
}  # fmt: skip
SOUND = {
    "hwmon": HWMON,
    "powercap": powercap({**DESKTOP_ZONES, "dtpm:0": {"name": "soc", "power_uw": 5}, "x:1:2": zone("orphan")}),
    "mc": edac(controller({0: "A", 1: "A"}), controller({0: ""}, folder="rank")),
    "cpu": throttling([Thread(), Thread(core=1), Thread(package=1)]),
}


def write(path, content):
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.is_fifo():
        path.unlink()  # or it would be waited for
    path.write_bytes(content if isinstance(content, bytes) else f"{content}\n".encode())


def spoil(path, dice):
    """Make one thing of a tree something else; whatever the file system refuses is left as it is."""
    with contextlib.suppress(OSError):
        match dice.choice(["number", "number", "junk", "junk", "gone", "folder", "loop", "nowhere", "pipe", "moved"]):
            case "number":
                write(path, dice.choice(NUMBERS))
            case "junk":
                write(path, dice.choice(JUNK))
            case "moved":
                path.rename(path.with_name(dice.choice(NAMES)))
            case how:
                shutil.rmtree(path) if path.is_dir() and not path.is_symlink() else path.unlink()
                if how == "folder":
                    path.mkdir()
                elif how == "loop":
                    path.symlink_to(path.name)
                elif how == "nowhere":
                    path.symlink_to("/nowhere")
                elif how == "pipe":
                    os.mkfifo(path)


def trouble(root, dice):
    places = sorted(path for path in root.rglob("*") if path.parent != root)
    for path in dice.choices(places, k=dice.randint(0, 8)) if places else ():
        spoil(path, dice)


def grown(root, dice):
    """A part of the sound tree, spoilt."""
    for source, files in SOUND.items():
        for name in dice.sample(sorted(files), dice.randint(0, len(files))):
            write(root / source / name, files[name])
    trouble(root, dice)
    return root


def sources_of(root, clock, dice):
    records = iter([*dice.choices(LINES, k=3), BlockingIOError(), *dice.choices(LINES, k=3)])

    def log():
        record = next(records, b"")
        if isinstance(record, OSError):
            raise record
        return record

    return [
        HwmonSource(root / "hwmon"),
        PowercapSource(clock, root / "powercap"),
        EdacSource(root / "mc"),
        ThrottleSource(root / "cpu"),
        KernelLogSource(log),
    ]


def look(source):
    values, gaps = source.read()
    names = [channel.name for channel in source.channels()]
    assert sorted([*values, *gaps]) == sorted(names)
    assert all(math.isfinite(value) for value in values.values())
    assert all(isinstance(reason, str) and reason for reason in gaps.values())
    assert all(name in names for name in remarks_of(source))
    return values


@pytest.fixture(scope="module")
def place():
    """In memory where there is such a place."""
    with tempfile.TemporaryDirectory(dir="/dev/shm" if os.access("/dev/shm", os.W_OK) else None) as folder:
        yield Path(folder)


def one_tree(root, dice):
    clock = FakeClock()
    sources = sources_of(grown(root, dice), clock, dice)
    before = [look(source) for source in sources]
    trouble(root, dice)
    clock.advance(dice.choice([0.0, 0.01, 1.0, 3600.0]))
    after = [look(source) for source in sources]
    names = [channel.name for source in sources for channel in source.channels()]
    assert len(set(names)) == len(names)
    assert all(name.isprintable() for name in names)
    for was, now in list(zip(before, after, strict=True))[2:]:
        assert all(0.0 <= was.get(name, 0.0) <= value for name, value in now.items()), "a count never falls"


@settings(max_examples=BATCHES, deadline=None, database=None)
@given(seed=st.integers(0, 2**32))
def test_every_channel_of_every_source_is_a_value_or_a_gap_whatever_the_trees_hold(place, seed):
    for number in range(TREES):
        with tempfile.TemporaryDirectory(dir=place) as folder:
            try:
                one_tree(Path(folder), Random(f"{seed} {number}"))
            except BaseException as error:
                error.add_note(f"tree {number} of seed {seed}")
                raise
