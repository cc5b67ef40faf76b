"""What authors of sensor sources and workloads import. Nothing in soakd imports this module; a test locks its names."""

from __future__ import annotations

from soakd.errors import SoakdError, WorkloadError
from soakd.model.channels import Channel, Role
from soakd.ports import SensorSource
from soakd.workloads.base import Beat, Fault, Flip, Program, Round, Task
from soakd.workloads.catalog import Kind

__all__ = [
    "Beat",
    "Channel",
    "Fault",
    "Flip",
    "Kind",
    "Program",
    "Role",
    "Round",
    "SensorSource",
    "SoakdError",
    "Task",
    "WorkloadError",
]
