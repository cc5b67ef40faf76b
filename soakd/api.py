"""What authors of plugins import. Nothing in soakd imports this module; a test locks its names."""

from __future__ import annotations

from soakd.errors import SoakdError, WorkloadError
from soakd.model.channels import Channel, Role
from soakd.ports import Sensors
from soakd.workloads.base import OPEN, Beat, Fault, Flip, Gate, Program, Round, Task, Workload, refuse_at_rest
from soakd.workloads.classes import InstructionClass
from soakd.workloads.pace import Pace, fill

__all__ = [
    "OPEN",
    "Beat",
    "Channel",
    "Fault",
    "Flip",
    "Gate",
    "InstructionClass",
    "Pace",
    "Program",
    "Role",
    "Round",
    "Sensors",
    "SoakdError",
    "Task",
    "Workload",
    "WorkloadError",
    "fill",
    "refuse_at_rest",
]
