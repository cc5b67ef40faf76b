"""One execution of a plan on a bench: what is fixed before anything is loaded."""

from __future__ import annotations

from enum import StrEnum

from soakd.model.base import Value
from soakd.model.limits import Bound
from soakd.model.plan import Plan
from soakd.model.sheet import Sheet
from soakd.model.snapshot import Snapshot


class RunState(StrEnum):
    """Where a run is; what was learnt is its outcome, another thing."""

    STARTING = "starting"
    SOAKING = "soaking"
    FINISHED = "finished"


class ChannelInfo(Value):
    """A channel as it was when the run started."""

    name: str
    role: str
    unit: str
    critical: float | None = None


class RunRecord(Value):
    """Everything known before the load: the journal's first entry."""

    run_id: str
    soakd_version: str
    started_utc: str
    boot_id: str
    drill: bool
    plan: Plan
    sheet: Sheet | None
    snapshot: Snapshot
    fingerprint: str
    classes: dict[str, str]
    """Workload and asked class (`vector/widest`) to the class that was resolved for this core."""
    cores: tuple[int, ...]
    channels: tuple[ChannelInfo, ...]
    bounds: tuple[Bound, ...]
    cautions: tuple[str, ...]
    """Said before the start, because they limit what a pass can mean."""
    last_resort: tuple[Bound, ...] = ()
    """What the limiter holds the processor's temperatures against by itself; empty where it watches only the guard."""
    watchdog: str | None = None
    """Device of the hardware watchdog that is armed while the load runs."""
    issue_order: str | None = None
    """Of integer/streams, as it was found on this machine; None where the one for its family was used."""
