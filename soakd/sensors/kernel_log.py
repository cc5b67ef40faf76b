"""What the kernel reports of failing hardware and of its own failures (Documentation/ABI/testing/dev-kmsg).

Lines of /dev/kmsg since the source was made, counted by kind: lines and not events, for one event may write several,
and the kernel holds back what repeats too fast. Only the kernel itself can write lines of facility 0; no other counts.
Reading takes CAP_SYSLOG where `dmesg_restrict` is set.
"""

from __future__ import annotations

import errno
import os
import re
import weakref
from dataclasses import dataclass
from typing import TYPE_CHECKING

from soakd.model.channels import FOR_NOW, Channel, Role
from soakd.sensors.inputs import printable, why

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

KMSG = "/dev/kmsg"
MOST_RECORDS = 1000
"""In one reading; what is left waits for the next, so that a flood holds nobody up."""
LONGEST_TEXT = 200
_RECORD_BYTES = 16 * 1024
"""More than the kernel's longest record, which must be taken as a whole."""
_RECORD = re.compile(rb"(?P<priority>\d{1,9}),(?P<sequence>\d{1,19}),\d+,(?P<flags>[^,;]*)[^;]*;(?P<text>[^\n]*)")
_LEVELS = 8
_FRAGMENTS = frozenset({b"c", b"+"})
"""A piece of a line that was printed in several; older kernels mark the pieces that follow with +."""


@dataclass(frozen=True, slots=True)
class _Kind:
    channel: Channel
    lines: re.Pattern[bytes]


def _kind(name: str, role: Role, *patterns: bytes) -> _Kind:
    return _Kind(Channel(name=f"kernel log/{name}", role=role), re.compile(b"|".join(patterns)))


KINDS = (
    _kind(
        "memory errors",
        Role.KERNEL_REPORTS,
        rb"^EDAC MC\d+: (\d+ )?[CU]E ",  # drivers/edac/edac_mc.c; not its "Giving out device"
        rb"^Memory failure: 0x",  # mm/memory-failure.c
    ),
    _kind(
        "machine checks",
        Role.MACHINE_CHECKS,
        rb"\[Hardware Error\]: ",  # HW_ERR of include/linux/printk.h: mce, mce_amd, APEI, CPER
        rb"^mce: Uncorrected hardware memory error",  # arch/x86/kernel/cpu/mce/core.c
    ),
    _kind(
        "thermal events",
        Role.KERNEL_REPORTS,
        rb"temperature (is )?above threshold, cpu clock (is )?throttled",  # drivers/thermal/intel/therm_throt.c
        rb"critical temperature reached",  # drivers/thermal/thermal_core.c
    ),
    _kind(
        "bus and drive errors",
        Role.KERNEL_REPORTS,
        rb"PCIe Bus Error: severity=",  # drivers/pci/pcie/aer.c
        rb" error, dev \S+, sector \d",  # block/blk-mq.c
    ),
    _kind(
        "crashes",
        Role.KERNEL_REPORTS,
        rb"BUG: |Oops: |general protection fault|Kernel panic",  # arch/x86/kernel, kernel/panic.c; BUG: soft lockup too
        rb"hard LOCKUP",  # kernel/watchdog.c
        rb"(self-)?detected stalls? on CPU",  # kernel/rcu/tree_stall.h
        rb"\]: segfault at |^traps: ",  # arch/x86/mm/fault.c, arch/x86/kernel/traps.c: a program, with or without a bug
    ),
)
"""The first that fits takes a line. The wording is that of the named source file in Linux 6."""


class KernelLogSource:
    """From the last line that was there when the source was made."""

    name = "kernel log"

    def __init__(self, log: Callable[[], bytes] | None = None) -> None:
        """`log` gives one record a call and raises what read(2) of /dev/kmsg would."""
        self._counts = dict.fromkeys(self._names(), 0)
        self._remarks: dict[str, str] = {}
        self._fresh: str | None = None
        """The kind whose text is to go on record and ended with the record before."""
        self._closed = ""
        self._next: Callable[[], bytes]
        try:
            self._next = log or _Device().record
        except OSError as error:
            self._closed = why(error)

    def channels(self) -> Sequence[Channel]:
        return [kind.channel for kind in KINDS]

    def read(self) -> tuple[dict[str, float], dict[str, str]]:
        """Counts so far; after lines were lost, a gap once, and counts of what was seen from then on."""
        reason = self._closed or self._take()
        if reason:
            return {}, dict.fromkeys(self._names(), reason)
        return {name: float(number) for name, number in self._counts.items()}, {}

    def remarks(self) -> dict[str, str]:
        """The text of the first line of each kind, and of the 2nd, 4th, 8th …: few, and never long out of date."""
        told, self._remarks = self._remarks, {}
        return told

    @staticmethod
    def _names() -> list[str]:
        return [kind.channel.name for kind in KINDS]

    def _take(self) -> str:
        """Everything new, up to a bound; why it is not everything, or nothing."""
        reason = ""
        for _ in range(MOST_RECORDS):
            try:
                record = self._next()
            except BlockingIOError:
                break
            except OSError as error:
                if error.errno != errno.EPIPE:
                    return why(error)
                reason = f"{FOR_NOW}the kernel overwrote lines before they could be read"
                continue
            if not record:
                break
            self._line(record)
        return reason

    def _line(self, record: bytes) -> None:
        match = _RECORD.match(record)
        if match is None or int(match["priority"]) >= _LEVELS:
            return
        text = match["text"]
        kind = next((kind for kind in KINDS if kind.lines.search(text)), None)
        if kind is None:
            if match["flags"] in _FRAGMENTS:
                self._go_on(text)
            else:
                self._fresh = None
            return
        name = kind.channel.name
        self._counts[name] += 1
        number = self._counts[name]
        self._fresh = name if number.bit_count() == 1 else None
        if self._fresh:
            self._remarks[name] = f"line {number}: {_readable(text)}"

    def _go_on(self, text: bytes) -> None:
        """The kernel printed a line in pieces, which is only a hint: it is good for reading and not for counting."""
        if self._fresh in self._remarks:
            self._remarks[self._fresh] = f"{self._remarks[self._fresh]} {_readable(text)}"[:LONGEST_TEXT]


def _readable(text: bytes) -> str:
    return printable(text.decode(errors="replace"))[:LONGEST_TEXT]


class _Device:
    """The device, from its end; closed when nobody reads it any more. Raises OSError."""

    def __init__(self) -> None:
        self._descriptor = os.open(KMSG, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        weakref.finalize(self, os.close, self._descriptor)
        os.lseek(self._descriptor, 0, os.SEEK_END)

    def record(self) -> bytes:
        return os.read(self._descriptor, _RECORD_BYTES)
