"""The probe over a pseudo-terminal: good lines, garbled lines, silence, an unplugged and a shared device."""

import os
import pty
import time
from functools import reduce
from importlib.util import module_from_spec, spec_from_file_location
from operator import xor
from pathlib import Path

import pytest

from soakd.api import SoakdError
from soakd.model.plug import Plug
from soakd.sensors.plugin import PluginSource

HERE = Path(__file__).parent
PATIENCE_S = 20.0


def made(**options):
    spec = spec_from_file_location("coolant_serial_plugin", HERE / "plugin.py")
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.sensors(options)


def line(fields, end=b"\n"):
    return fields + b"*%02X" % reduce(xor, fields) + end


class Line:
    """A serial line: what the microcontroller writes on one end comes out of a device on the other."""

    def __init__(self):
        self.ours, self._theirs = pty.openpty()
        self.device = os.ttyname(self._theirs)

    def say(self, text):
        os.write(self.ours, text)

    def unplug(self):
        for end in (self.ours, self._theirs):
            os.close(end)
        self.ours = None


@pytest.fixture
def serial():
    made_line = Line()
    yield made_line
    if made_line.ours is not None:
        made_line.unplug()


def until(probe, good):
    deadline_s = time.monotonic() + PATIENCE_S
    while not good(read := probe.read()):
        assert time.monotonic() < deadline_s, read
    return read


def test_a_good_line_is_a_reading(serial):
    probe = made(device=serial.device)
    assert [(channel.name, channel.role) for channel in probe.channels()] == [("T", "coolant-temperature")]
    assert probe.read() == ({}, {"T": "for now: no whole line yet"})
    serial.say(b"T=31.52 F=182.4*38\r\n")
    assert until(probe, lambda read: read[0]) == ({"T": 31.52}, {})


def test_fields_get_the_roles_that_the_options_give_them(serial):
    probe = made(device=serial.device, fields={"T": "coolant-temperature", "F": "coolant-flow", "P": "pump"})
    probe.read()
    serial.say(line(b"T=31.5 F=182 X=7"))
    values, gaps = until(probe, lambda read: read[0])
    assert values == {"T": 31.5, "F": 182.0}
    assert gaps == {"P": "not in the newest line"}


def test_the_newest_whole_line_counts_however_it_arrives(serial):
    probe = made(device=serial.device)
    probe.read()
    serial.say(line(b"T=30.0") + line(b"T=30.1")[:5])
    assert until(probe, lambda read: read[0])[0] == {"T": 30.0}
    serial.say(line(b"T=30.1")[5:])
    assert until(probe, lambda read: read[0] == {"T": 30.1})
    serial.say(line(b"T=-2.25"))
    assert until(probe, lambda read: read[0] == {"T": -2.25})


@pytest.mark.parametrize(
    "garbled",
    [b"T=31.5*00", b"T=31.5", b"T=*11", b"T=1e5*AA", b"t=31.5*7B",
     b"\x00\xff\x80*10", b"T=31.5  F=2*00", b"*00", b"x" * 9999],
)  # fmt: skip
def test_a_garbled_line_never_becomes_a_number(serial, garbled):
    probe = made(device=serial.device, **{"silence-s": 0.2})
    probe.read()
    for start in range(0, len(garbled), 1000):
        serial.say(garbled[start : start + 1000])
        probe.read()
    serial.say(b"\n")
    _, gaps = until(probe, lambda read: read[1]["T"].startswith("no good line"))
    assert gaps["T"] == "no good line for 0.2 s, 1 garbled so far"
    probe.read()
    serial.say(line(b"T=31.5"))
    assert until(probe, lambda read: read[0])[0] == {"T": 31.5}


def test_a_line_that_falls_silent_is_a_gap_and_comes_back(serial):
    probe = made(device=serial.device, **{"silence-s": 0.2})
    probe.read()
    serial.say(line(b"T=31.5"))
    until(probe, lambda read: read[0])
    until(probe, lambda read: read[1].get("T") == "no good line for 0.2 s, 0 garbled so far")
    probe.read()
    serial.say(line(b"T=32.5"))
    assert until(probe, lambda read: read[0])[0] == {"T": 32.5}


def test_a_device_that_is_pulled_out_is_a_gap_with_the_system_s_words(serial):
    probe = made(device=serial.device)
    probe.read()
    serial.unplug()
    _, gaps = until(probe, lambda read: read[1]["T"].startswith("the device cannot be read"))
    assert gaps["T"] in {
        "the device cannot be read: Input/output error",
        "the device cannot be read: No such file or directory",
    }


def test_a_second_reader_takes_nothing_away_from_the_first(serial):
    first, second = made(device=serial.device), made(device=serial.device)
    first.read()
    assert second.read() == ({}, {"T": "for now: another process reads this device"})
    serial.say(line(b"T=31.5"))
    assert until(first, lambda read: read[0])[0] == {"T": 31.5}


@pytest.mark.parametrize(
    ("options", "wanted"),
    [
        ({}, "options are device"),
        ({"device": "/dev/ttyS0", "rate": 9600}, "not rate"),
        ({"device": "/dev/ttyS0", "baud": 9601}, "baud 9601: no such speed"),
        ({"device": "/dev/ttyS0", "fields": {"T": "warmth"}}, "there is no role 'warmth'"),
    ],
)
def test_options_that_cannot_be_meant_are_refused(options, wanted):
    with pytest.raises(SoakdError, match=wanted):
        made(**options)


def test_a_file_that_is_no_serial_line_is_a_gap(tmp_path):
    (tmp_path / "file").write_text("T=31.5")
    assert made(device=str(tmp_path / "file")).read() == ({}, {"T": "the device cannot be read: it is no serial line"})


def test_in_its_own_process_as_soakd_runs_it(serial):
    plug = Plug(name="loop", kind="sensors", source=str(HERE), options={"device": serial.device})
    source = PluginSource(plug, answer_s=PATIENCE_S, memory_mib=64.0)
    try:
        assert source.trouble is None
        serial.say(line(b"T=31.52"))
        assert until(source, lambda read: read[0]) == ({"plugin/loop/T": 31.52}, {})
    finally:
        source.close()
