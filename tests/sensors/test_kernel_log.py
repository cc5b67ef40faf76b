"""Lines of the kernel's log by kind (Documentation/ABI/testing/dev-kmsg): the real device, and one that fails."""

from __future__ import annotations

import errno
import gc
import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from soakd.model.channels import FOR_NOW, Role
from soakd.sensors import kernel_log
from soakd.sensors.kernel_log import KINDS, LONGEST_TEXT, MOST_RECORDS, KernelLogSource
from soakd.sensors.sampler import remarks_of

NAMES = [kind.channel.name for kind in KINDS]
OVERWRITTEN = f"{FOR_NOW}the kernel overwrote lines before they could be read"
NOT_SHOWN = "not shown on this machine"


class Log:
    """Gives records as /dev/kmsg does: one a call, EAGAIN at the end, and any fault where it is put."""

    def __init__(self, *records):
        self.waiting = list(records)

    def __call__(self):
        if not self.waiting:
            raise BlockingIOError(errno.EAGAIN, os.strerror(errno.EAGAIN))
        record = self.waiting.pop(0)
        if isinstance(record, OSError):
            raise record
        return record

    def says(self, *texts, priority=4, flags="-"):
        for text in texts:
            record = f"{priority},{len(self.waiting) + 339},5140900,{flags};{text}\n"
            self.waiting.append(record.encode())


def overwritten():
    return OSError(errno.EPIPE, os.strerror(errno.EPIPE))


@pytest.fixture
def log():
    return Log()


@pytest.fixture
def source(log):
    return KernelLogSource(log)


def counted(source):
    """What is not nought, without the name of the source."""
    values, gaps = source.read()
    assert gaps == {}
    assert set(values) == set(NAMES)
    return {name.removeprefix("kernel log/"): value for name, value in values.items() if value}


# The wording of Linux 6, as the named source file prints it; a few lines of older kernels.
LINES = {
    "mce: [Hardware Error]: Machine check events logged": "machine checks",  # arch/x86/kernel/cpu/mce/core.c
    "mce: [Hardware Error]: CPU 2: Machine Check: 0 Bank 5: be00000000800400": "machine checks",
    "mce: [Hardware Error]: TSC 0 ADDR 4658130c0 MISC 102285 ": "machine checks",
    "mce: Uncorrected hardware memory error in user-access at 4658130c0": "machine checks",
    "[Hardware Error]: Corrected error, no action required.": "machine checks",  # drivers/edac/mce_amd.c
    "{1}[Hardware Error]: Hardware error from APEI Generic Hardware Error Source: 0": "machine checks",  # apei/ghes.c
    "EDAC MC0: 1 CE on mc#0csrow#0channel#1 (csrow:0 channel:1 page:0x283 offset:0xce0 grain:64)": "memory errors",
    "EDAC MC0: 1 UE memory read error on DIMM_A1 (channel:0 slot:0 page:0x0 offset:0x0)": "memory errors",
    'EDAC MC0: CE page 0x283, offset 0xce0, grain 8, syndrome 0x6ec3, row 0, channel 1 "DIMM_B1"': "memory errors",
    "Memory failure: 0x4658130: recovery action for dirty LRU page: Recovered": "memory errors",  # mm/memory-failure.c
    "CPU0: Core temperature is above threshold, cpu clock is throttled (total events = 1)": "thermal events",
    "CPU6: Package temperature above threshold, cpu clock throttled (total events = 227)": "thermal events",
    "thermal thermal_zone0: acpitz: critical temperature reached, shutting down": "thermal events",
    "pcieport 0000:00:01.1: PCIe Bus Error: severity=Correctable, type=Data Link Layer": "bus and drive errors",
    "igb 0000:09:00.0: AER: PCIe Bus Error: severity=Uncorrected (Non-Fatal), type=Transaction": "bus and drive errors",
    "I/O error, dev nvme0n1, sector 2048 op 0x0:(READ) flags 0x0 phys_seg 1 prio class 0": "bus and drive errors",
    "blk_update_request: critical medium error, dev sda, sector 81 op 0x0:(READ)": "bus and drive errors",
    "watchdog: BUG: soft lockup - CPU#0 stuck for 22s! [python3:812]": "crashes",  # kernel/watchdog.c
    "watchdog: Watchdog detected hard LOCKUP on cpu 3": "crashes",
    "BUG: kernel NULL pointer dereference, address: 0000000000000008": "crashes",  # arch/x86/mm/fault.c
    "Oops: Oops: 0002 [#1] PREEMPT SMP NOPTI": "crashes",
    "Oops: general protection fault, probably for non-canonical address 0xdead000000000122": "crashes",
    "rcu: INFO: rcu_preempt detected stalls on CPUs/tasks:": "crashes",  # kernel/rcu/tree_stall.h
    "rcu: INFO: rcu_preempt self-detected stall on CPU": "crashes",
    "python3[812]: segfault at 8 ip 00007f3a sp 00007ffc error 4 in libc.so.6[7f3a+195000]": "crashes",
    "traps: python3[812] trap invalid opcode ip:55d0 sp:7ffc error:0 in python3.11[55d0+1000]": "crashes",
}
QUIET = [
    "EDAC MC0: Giving out device to module amd64_edac controller F19h_M70h: DEV 0000:00:18.3 (INTERRUPT)",
    "EDAC MC: Ver: 3.0.0",
    "mce: CPU0: Thermal monitoring enabled (TM1)",
    "MCE: In-kernel MCE decoding enabled.",
    "CPU0: Core temperature/speed normal",
    "thermal_sys: Registered thermal governor 'step_wise'",
    "AER: enabled with IRQ 27",
    "EXT4-fs (nvme0n1p2): mounted filesystem with ordered data mode",
    "Bluetooth: hci0: Hardware error 0x00",
    "x86/bugs: DEBUGGING",
    "soakd test: nothing happened",
]


@pytest.mark.parametrize(("text", "kind"), LINES.items())
def test_a_line_of_the_kernel_is_counted_by_its_kind_and_by_no_other(log, source, text, kind):
    log.says(text)
    assert counted(source) == {kind: 1.0}


@pytest.mark.parametrize("text", QUIET)
def test_a_line_that_reports_nothing_wrong_is_not_counted(log, source, text):
    log.says(text)
    assert counted(source) == {}


def test_machine_checks_have_a_role_of_their_own_and_the_rest_share_one():
    roles = {kind.channel.name: kind.channel.role for kind in KINDS}
    assert roles.pop("kernel log/machine checks") is Role.MACHINE_CHECKS
    assert set(roles.values()) == {Role.KERNEL_REPORTS}


def test_counts_add_up_over_readings(log, source):
    log.says(*LINES)
    once = counted(source)
    assert sum(once.values()) == len(LINES)
    log.says(*QUIET, *LINES)
    assert counted(source) == {kind: 2 * number for kind, number in once.items()}
    assert counted(source) == {kind: 2 * number for kind, number in once.items()}


@pytest.mark.parametrize("priority", [8, 14, 30, 12, 191])
def test_a_line_that_a_program_wrote_is_never_counted(log, source, priority):
    """Facility 0 is the kernel's own: it "is not possible to inject messages from userspace" with it."""
    log.says(*LINES, priority=priority)
    assert counted(source) == {}


def test_properties_after_a_line_are_no_part_of_it(log, source):
    log.waiting.append(b"6,1,0,-;usb 1-1: new device\n SUBSYSTEM=usb\n NOTE=[Hardware Error]: x\n")
    assert counted(source) == {}


def test_fields_that_a_later_kernel_adds_are_ignored(log, source):
    """ "Future extensions might add more comma separated values before the terminating ';'"."""
    log.waiting.append(b"2,77,99,-,caller=T812,x;mce: [Hardware Error]: Machine check events logged\n")
    assert counted(source) == {"machine checks": 1.0}


def test_overwritten_lines_are_a_gap_on_every_channel_once_and_what_follows_is_read(log, source):
    log.says("mce: [Hardware Error]: before")
    log.waiting.append(overwritten())
    log.says("mce: [Hardware Error]: after")
    assert source.read() == ({}, dict.fromkeys(NAMES, OVERWRITTEN))
    assert counted(source) == {"machine checks": 2.0}


def test_a_log_that_is_always_overwritten_holds_nobody_up(source, log):
    log.waiting = [overwritten()] * (3 * MOST_RECORDS)
    assert source.read()[1] == dict.fromkeys(NAMES, OVERWRITTEN)
    assert len(log.waiting) == 2 * MOST_RECORDS


def test_a_flood_is_taken_in_pieces(log, source):
    log.says(*["BUG: Bad page state in process x"] * (2 * MOST_RECORDS + 1))
    totals = [counted(source)["crashes"] for _ in range(4)]
    assert totals == [MOST_RECORDS, 2 * MOST_RECORDS, 2 * MOST_RECORDS + 1, 2 * MOST_RECORDS + 1]


def test_a_device_that_fails_is_a_gap_with_its_reason_for_as_long_as_it_does(log, source):
    log.waiting = [OSError(errno.EIO, os.strerror(errno.EIO))] * 2
    for _ in range(2):
        assert source.read() == ({}, dict.fromkeys(NAMES, "cannot be read: Input/output error"))
    assert counted(source) == {}


def test_the_text_goes_on_record_at_the_1st_2nd_4th_and_8th_line_of_a_kind(log, source):
    told = []
    for number in range(1, 21):
        log.says(f"mce: [Hardware Error]: CPU {number}: Machine Check: 0 Bank 5: be00000000800400")
        source.read()
        told += remarks_of(source).values()
    assert [text.split(": mce")[0] for text in told] == ["line 1", "line 2", "line 4", "line 8", "line 16"]
    assert "CPU 16: Machine Check" in told[-1]
    assert remarks_of(source) == {}


def test_the_newest_of_several_texts_in_one_reading_is_told_and_each_kind_by_itself(log, source):
    log.says("mce: [Hardware Error]: one", "BUG: two", "mce: [Hardware Error]: three")
    source.read()
    assert remarks_of(source) == {
        "kernel log/machine checks": "line 2: mce: [Hardware Error]: three",
        "kernel log/crashes": "line 1: BUG: two",
    }


def test_a_line_that_was_printed_in_pieces_is_counted_once_and_read_as_a_whole(log, source):
    """The flag c: "a fragment of a line", only a hint; older kernels mark the pieces that follow with +."""
    log.says("[Hardware Error]: CPU:0 (17:1:1) MC15_STATUS[")
    log.says("Over|CE|MiscV", flags="c")
    log.says("]: 0xdc2040000000011b", flags="+")
    log.says("usb 1-1: new device")
    log.says("not of it", flags="c")
    assert counted(source) == {"machine checks": 1.0}
    assert remarks_of(source) == {
        "kernel log/machine checks": "line 1: [Hardware Error]: CPU:0 (17:1:1) MC15_STATUS[ Over|CE|MiscV "
        "]: 0xdc2040000000011b"
    }


def test_a_text_is_short_and_printable(log, source):
    log.waiting.append(b"2,1,1,-;BUG: \xff\x1b[31m" + b"x" * 5000 + b"\n")
    source.read()
    (text,) = remarks_of(source).values()
    assert len(text) <= LONGEST_TEXT + len("line 1: ")
    assert text.isprintable()


RECORD = st.one_of(st.binary(min_size=1, max_size=80), st.sampled_from([f"4,1,1,-;{text}".encode() for text in LINES]))


@given(st.lists(RECORD))
@settings(max_examples=300, deadline=None, database=None)
def test_whatever_the_device_says_every_channel_is_a_count(records):
    values, gaps = KernelLogSource(Log(*records)).read()
    assert gaps == {}
    assert list(values) == NAMES


def test_a_log_that_may_not_be_opened_is_a_gap_with_the_reason(monkeypatch, as_ordinary_user):
    """As with `dmesg_restrict` and without CAP_SYSLOG, where open(2) fails; here a file takes the device's place."""
    folder, rights = as_ordinary_user
    (folder / "kmsg").touch(mode=0)
    monkeypatch.setattr(kernel_log, "KMSG", str(folder / "kmsg"))
    with rights():
        source = KernelLogSource()
    reason = "cannot be read: Permission denied"
    assert [source.read() for _ in range(2)] == [({}, dict.fromkeys(NAMES, reason))] * 2


def test_a_system_without_the_device_says_so(monkeypatch, tmp_path):
    monkeypatch.setattr(kernel_log, "KMSG", str(tmp_path / "kmsg"))
    assert KernelLogSource().read()[1] == dict.fromkeys(NAMES, "gone: it does not exist any more")


@pytest.fixture
def write():
    """Puts a line of ours into the real log; a program's own, as the kernel will say."""
    try:
        hand = os.open("/dev/kmsg", os.O_WRONLY)
        readable = not KernelLogSource().read()[1]
    except OSError as error:
        pytest.skip(f"{NOT_SHOWN}: /dev/kmsg: {error.strerror}")
    if not readable:
        os.close(hand)
        pytest.skip(f"{NOT_SHOWN}: /dev/kmsg may be written and not read")
    yield lambda text: os.write(hand, f"soakd test: {text}\n".encode())
    os.close(hand)


def test_the_real_device_is_read_from_its_end_and_a_program_s_line_is_none_of_the_kernel_s(write, monkeypatch):
    seen = []
    line = KernelLogSource._line
    monkeypatch.setattr(KernelLogSource, "_line", lambda self, record: (seen.append(record), line(self, record)))
    before, after = os.urandom(8).hex(), os.urandom(8).hex()
    write(f"mce: [Hardware Error]: {before}, this is a test")
    source = KernelLogSource()
    write(f"mce: [Hardware Error]: {after}, this is a test")
    values, gaps = source.read()
    assert gaps == {}
    assert not [record for record in seen if before.encode() in record]
    (ours,) = [record for record in seen if after.encode() in record]
    assert int(ours.partition(b",")[0]) >= 8, "the facility is not the kernel's"
    assert values["kernel log/machine checks"] == sum(
        b"[Hardware Error]" in record and int(record.partition(b",")[0]) < 8 for record in seen
    )


def test_the_real_device_is_closed_with_its_source():
    def count():
        gc.collect()
        return sum(file.resolve() == Path("/dev/kmsg") for file in Path("/proc/self/fd").iterdir())

    before = count()
    source = KernelLogSource()
    if source.read()[1]:
        pytest.skip(f"{NOT_SHOWN}: {source.read()[1][NAMES[0]]}")
    assert count() == before + 1
    del source
    assert count() == before
