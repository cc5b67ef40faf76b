"""What the operating system can observe of the settings and the hardware."""

from __future__ import annotations

from pydantic import Field

from soakd.model.base import Value


class Snapshot(Value):
    """Settings and identity that ought to stand still during a run; None where the system does not say."""

    machine: str
    """Instruction set architecture as uname(2) names it."""
    processor: str | None = None
    family_model_stepping: str | None = None
    microcode: str | None = None
    logical_cores: int
    cores_allowed: str
    """Logical cores our own processes may use (cpuset, affinity)."""
    memory_total_mib: int
    swap_total_mib: int
    board: str | None = None
    firmware: str | None = None
    kernel: str
    boot_id: str
    governor: str | None = None
    boost: str | None = None
    minimum_clock_mhz: int | None = None
    maximum_clock_mhz: int | None = None
    mitigations: dict[str, str] = Field(default_factory=dict)
    virtualisation: str | None = None
    absent: dict[str, str] = Field(default_factory=dict)
    """Sources that could not be read: field to reason. Absence is stated, never skipped."""


VOLATILE = frozenset({"absent", "boot_id"})
"""Not settings: what could be read may depend on who asks, and a boot is an event, not a setting."""


def settings_of(snapshot: Snapshot) -> dict[str, object]:
    """The part that a fingerprint covers and that must not change during a run."""
    return {key: value for key, value in snapshot.model_dump().items() if key not in VOLATILE}
