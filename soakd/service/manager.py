"""What the service manager is told (sd_notify(3)), and how often it wants to hear (sd_watchdog_enabled(3))."""

from __future__ import annotations

import os
import socket


class ServiceManager:
    """Silent where there is no service manager."""

    def __init__(self) -> None:
        self._address = os.environ.get("NOTIFY_SOCKET", "")
        usec, pid = os.environ.get("WATCHDOG_USEC", ""), os.environ.get("WATCHDOG_PID", "")
        mine = not pid or pid == str(os.getpid())
        self.watchdog_s = int(usec) / 1e6 if usec.isdigit() and mine else None
        """A ping is missed after this long; None where nobody watches."""

    def say(self, **fields: str | int) -> None:
        """One datagram with a line per field: READY=1, STATUS=…, WATCHDOG=1, STOPPING=1. Never raises, never waits."""
        if not self._address:
            return
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        message = "\n".join(f"{name}={str(value).replace(chr(10), ' ')}" for name, value in fields.items())
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as channel:
                channel.settimeout(0.0)
                channel.sendto(message.encode(), address)
        except OSError:
            return
