"""A small bench, plans for it, and the events of a run on it: what the tests of rules and report build on."""

from __future__ import annotations

from soakd.model.channels import Channel, Role, role_unit
from soakd.model.finding import Finding
from soakd.model.journal import (
    Found,
    LoadStopped,
    Prepared,
    RunEnded,
    StageAnnounced,
    StageEnded,
    StageStarted,
    Tick,
    WorkerTotals,
)
from soakd.model.plan import GuardRules, Limit, Plan, Stage
from soakd.model.run import ChannelInfo, RunRecord
from soakd.model.sheet import Sheet
from soakd.model.snapshot import Snapshot
from soakd.model.snapshot_parts import ClockPolicy
from soakd.rules.bounds import resolve
from soakd.rules.fingerprint import fingerprint
from soakd.rules.gather import Gatherer, class_key, probe_channel
from soakd.rules.judge import judge

CORES = (0, 1)
CPU = "hwmon/k10temp/Tctl"
UNITS = {"integer": "integer operations", "vector": "floating-point operations", "memory": "bytes"}
UTC = "2026-01-01T00:00:00.000Z"


def channel(name=CPU, role=Role.CPU_TEMPERATURE, critical=None):
    return Channel(name=name, role=role, critical=critical)


def stage(**changes):
    return Stage(**{"name": "Integer", "workload": "integer", "duration_s": 10.0, **changes})


def plan(*stages, limits=(), floor=95.0, **guard):
    return Plan(
        version=1,
        name="Trial",
        coverage_floor_percent=floor,
        guard=GuardRules(**guard),
        limits=tuple(limits),
        stages=stages or (stage(),),
    )


def limit(of="cpu-temperature", **side):
    return Limit(of=of, **side)


def sheet(**changes):
    values = {"core voltage": "1.2 V", "ratio limit": 47, "stored memory profile loaded": True}
    return Sheet(**{"version": 1, "name": "Trial 4", "values": values, **changes})


def snapshot(**changes):
    """Governor and clock limits are those of all cores."""
    policy = ClockPolicy(
        governor=changes.pop("governor", "performance"),
        minimum_mhz=changes.pop("minimum_clock_mhz", 2200),
        maximum_mhz=changes.pop("maximum_clock_mhz", 4700),
    )
    return Snapshot(
        **{
            "machine": "x86_64", "processor": "A processor", "family_model_stepping": "25-33-2",
            "microcode": "0xa20120e", "logical_cores": 2, "cores_allowed": "0-1", "memory_total_mib": 32768,
            "swap_total_mib": 0, "board_name": "A board", "firmware_version": "1.20", "kernel": "6.12.1",
            "boot_id": "boot-1", "clock_policies": {"0-1": policy}, "boost": "on",
            "mitigations": {"meltdown": "Not affected"}, "virtualisation": None, "absent": {"boost": "no such file"},
            **changes,
        }
    )  # fmt: skip


def record(of_plan=None, *, channels=None, with_sheet=True, **changes):
    """A run as it stands in the journal before the load; its bench has one processor temperature, critical 95 °C."""
    wanted = of_plan or plan()
    inputs = [channel(critical=95.0)] if channels is None else list(channels)
    bounds, cautions = resolve(wanted, inputs)
    probes = [channel(probe_channel(core), Role.PROBED_CLOCK) for core in CORES]
    declared = sheet() if with_sheet else None
    before = changes.pop("snapshot", snapshot())
    return RunRecord(
        **{
            "run_id": "20260101-000000-abcd", "soakd_version": "0.1.0", "started_utc": UTC, "boot_id": before.boot_id,
            "drill": False, "plan": wanted, "sheet": declared, "snapshot": before,
            "fingerprint": fingerprint(declared, before),
            "classes": {class_key(s): "scalar" if s.workload == "integer" else "vector-256" for s in wanted.stages},
            "cores": CORES,
            "channels": tuple(
                ChannelInfo(name=c.name, role=c.role.value, unit=role_unit(c.role), critical=c.critical)
                for c in [*inputs, *probes]
            ),
            "bounds": bounds, "cautions": cautions, **changes,
        }
    )  # fmt: skip


def totals(core, **changes):
    """A core that checked all ten seconds of a stage."""
    done = {"rounds": 20, "operations": 10**9, "sweeps": 2, "work_s": 9.7, "check_s": 0.2, "checked_s": 9.9}
    changes = {"core_s": changes.get("checked_s", done["checked_s"]), **changes}
    return WorkerTotals(core=core, **{**done, **changes})


def tick(at_s, number=0, in_stage=0, values=None, gaps=None, workers=()):
    seen = {CPU: 70.0, probe_channel(0): 4690.0, probe_channel(1): 4700.0} if values is None else values
    return Tick(at_s=at_s, number=number, stage=in_stage, late_s=0.0, values=seen, gaps=gaps or {}, workers=workers)


def found(rule="limit-broken", weight="fail", text="too hot", at_s=4.0, **more):
    return Found(at_s=at_s, finding=Finding(rule=rule, weight=weight, text=text, at_s=at_s, **more), stops=True)


def stage_events(number, began_s, *, workers=None, complete=True, ticks=10):
    done = tuple(totals(core) for core in CORES) if workers is None else tuple(workers)
    return [
        StageAnnounced(at_s=began_s, stage=number),
        StageStarted(at_s=began_s + 0.1, stage=number, pids={0: 4100, 1: 4101}),
        *(tick(began_s + 1.0 + n, n, number) for n in range(ticks)),
        StageEnded(at_s=began_s + ticks + 1.0, stage=number, complete=complete, workers=done),
    ]


def start():
    return Prepared(at_s=0.5, crew_pid=4000, priority="real-time, priority 50", digests={"integer/scalar": "0" * 64})


def end(at_s, **changes):
    said = {"ticks_due": 10, "ticks_lost": 0, "late_readings": {}, "guard_cpu_s": 0.05, "guard_peak_mib": 40.0}
    return RunEnded(at_s=at_s, **{**said, **changes})


def stopped(at_s, survivors=0):
    return LoadStopped(at_s=at_s, gone_s=0.004, survivors=survivors)


def clean_run(of_record):
    """Every stage complete, every reading there, the guard's last word said."""
    stages = range(len(of_record.plan.stages))
    events = [event for number in stages for event in stage_events(number, 1.0 + 12.0 * number)]
    return [start(), *events, end(1.0 + 12.0 * len(stages))]


def evidence(of_record, events=None, **changes):
    gatherer = Gatherer(of_record, UNITS)
    for event in clean_run(of_record) if events is None else events:
        gatherer.add(event)
    after = of_record.snapshot
    given = {"finished_utc": UTC, "same_boot": True, "suspended_s": 0.0, "snapshot_after": after, **changes}
    return gatherer.evidence(**given)


def verdict(of_record=None, events=None, **changes):
    about = of_record or record()
    return judge(about, evidence(about, events, **changes))


def rules_of(findings):
    return [finding.rule for finding in findings]
