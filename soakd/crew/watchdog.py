"""The hardware watchdog: resets a machine whose guard does not answer (Documentation/watchdog/watchdog-api.rst).

Opening the device starts its timer, any write starts it anew, and only a "V" right before the close stops it: a guard
that dies or hangs leaves it running. With the driver's or kernel's `nowayout` nothing stops it again.
"""

from __future__ import annotations

import fcntl
import os
import struct
from array import array
from typing import Final

from soakd.errors import RefusedError

TIMEOUT_S: Final = 30
"""What is asked for; a device sets what it can."""
LEAST_TIMEOUT_S: Final = 10
"""Less than that could end while the guard takes a load away."""
GET_SUPPORT, SET_TIMEOUT, GET_TIMEOUT = 0x80285700, 0xC0045706, 0x80045707
"""Numbers of linux/watchdog.h, as x86 and Arm encode them (asm-generic/ioctl.h)."""
_INFO = struct.Struct("@II32s")
"""struct watchdog_info: options, version of the firmware, identity."""


class HardwareWatchdog:
    """Runs from the moment it is made. Raises RefusedError, and leaves nothing running then if that can be had."""

    def __init__(self, device: str) -> None:
        try:
            self._descriptor = os.open(device, os.O_WRONLY | os.O_CLOEXEC)
        except OSError as error:
            hint = "the service manager may hold it: RuntimeWatchdogSec= of systemd-system.conf(5)"
            raise RefusedError(f"hardware watchdog {device}: {error.strerror}", hint=hint) from None
        try:
            self.identity = self._identity()
            self.timeout_s = self._set_timeout()
        except OSError as error:
            os.close(self._descriptor)
            raise RefusedError(f"{device} is no hardware watchdog: {error.strerror}") from None
        if self.timeout_s < LEAST_TIMEOUT_S:
            self.close()
            raise RefusedError(
                f"hardware watchdog {device}: its {self.timeout_s} s are too short to take a load away in"
            )

    def ping(self) -> None:
        """The guard lives. Raises OSError."""
        os.write(self._descriptor, b"\0")

    def close(self) -> None:
        """Stop it, where it can be stopped."""
        os.write(self._descriptor, b"V")
        os.close(self._descriptor)

    def _identity(self) -> str:
        info = bytearray(_INFO.size)
        fcntl.ioctl(self._descriptor, GET_SUPPORT, info, True)  # noqa: FBT003 - fcntl takes it by place
        identity: bytes = _INFO.unpack(info)[2]
        return identity.split(b"\0")[0].decode(errors="replace")

    def _set_timeout(self) -> int:
        """Seconds that it has now; a driver that can set none says what it has."""
        seconds = array("i", [TIMEOUT_S])
        try:
            fcntl.ioctl(self._descriptor, SET_TIMEOUT, seconds, True)  # noqa: FBT003
        except OSError:
            fcntl.ioctl(self._descriptor, GET_TIMEOUT, seconds, True)  # noqa: FBT003
        return seconds[0]


def stand_down(device: str) -> None:
    """Stop one that a dead guard has left running: it can be opened again, and closed as it should have been.

    Only when the load is known to be gone. Raises OSError or RefusedError.
    """
    HardwareWatchdog(device).close()
