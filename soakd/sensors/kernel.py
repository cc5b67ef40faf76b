"""What the running kernel was told that bears on results, and what it does against known weaknesses."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from soakd.model.snapshot_parts import KernelSettings
from soakd.sensors.attributes import absent, text_of
from soakd.sensors.policies import read_idle_states

if TYPE_CHECKING:
    from soakd.sensors.attributes import Attributes

NONE = "none"
_WORD = re.compile(r'(?:[^\s"]|"[^"]*")+')
_FROM_WHERE = re.compile(
    r"(BOOT_IMAGE|initrd|root\w*|resume\w*|nfsroot|nfsaddrs|ip|ifname|cryptdevice|ostree|rd\..*|luks\..*"
    r"|systemd\.(machine_id|hostname|set_credential\w*))=.*"
)
"""Words that say from where the system was started, and who it is: no settings, and nobody else's business."""
_IDENTITY = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}", re.IGNORECASE)


def read_kernel_settings(read: Attributes) -> KernelSettings:
    """Documentation/admin-guide: kernel-parameters, mm/transhuge, sysctl/kernel, pm/cpuidle."""
    cpu = f"{read.sys}/devices/system/cpu"

    def text(field: str, path: str, *, blank: str | None = None) -> str | None:
        return read.text(f"kernel_settings.{field}", path, blank=blank)

    tickless = text("tickless_cores", f"{cpu}/nohz_full", blank=NONE)
    return KernelSettings(
        command_line=read.tried("kernel_settings.command_line", lambda: told(text_of(f"{read.proc}/cmdline"))),
        clock_source=text(
            "clock_source", f"{read.sys}/devices/system/clocksource/clocksource0/current_clocksource"
        ),
        huge_pages=read.tried(
            "kernel_settings.huge_pages", lambda: _chosen(f"{read.sys}/kernel/mm/transparent_hugepage/enabled")
        ),
        numa_balancing=text("numa_balancing", f"{read.proc}/sys/kernel/numa_balancing"),
        isolated_cores=text("isolated_cores", f"{cpu}/isolated", blank=NONE),
        tickless_cores={"(null)": NONE}.get(tickless or "", tickless),
        threads=text("threads", f"{cpu}/smt/control"),
        threads_active=text("threads_active", f"{cpu}/smt/active"),
        idle_driver=text("idle_driver", f"{cpu}/cpuidle/current_driver"),
        idle_governor=text("idle_governor", f"{cpu}/cpuidle/current_governor_ro"),
        idle_states=read_idle_states(read),
    )  # fmt: skip


def told(command_line: str) -> str:
    """The words of a command line that are settings, in their order. What follows `--` is meant for init."""
    kernel = re.split(r"(?:^|\s)--(?:\s|$)", command_line, maxsplit=1)[0]
    words = _WORD.findall(kernel)
    return " ".join(word for word in words if not _FROM_WHERE.fullmatch(word) and not _IDENTITY.search(word)) or NONE


def _chosen(path: str) -> str:
    """The word in brackets: always [madvise] never."""
    text = text_of(path)
    match = re.search(r"\[([\w+]+)\]", text)
    return match[1] if match else absent(f"malformed: {path}: {text[:40]!r}")


def read_mitigations(read: Attributes) -> dict[str, str]:
    """Weakness to what the kernel does about it (Documentation/ABI/testing/sysfs-devices-system-cpu)."""
    folder = f"{read.sys}/devices/system/cpu/vulnerabilities"
    names = read.names("mitigations", folder, r"\w+")
    found = {name: read.text("mitigations", f"{folder}/{name}") for name in names}
    return {name: text for name, text in found.items() if text}
