"""Nights as evidence, built by hand: stages with load on eight cores, and wrong results put where a test wants them."""

from __future__ import annotations

from functools import cache

from run_parts import CPU, plan, record, snapshot, stage, totals, verdict

from soakd.model.finding import Finding, NearReading, WrongResult
from soakd.model.verdict import ChannelSummary, ClockSummary, StageResult, Warmth, WorkerResult

CORES = tuple(range(8))
CLASSES = {"integer": "scalar", "vector": "vector-512", "memory": "scalar", "exchange": "scalar"}
KERNELS = {"integer": "streams", "vector": "lanes", "memory": "march", "exchange": "counters"}


def load(kind="integer", pattern="steady", seconds=3600.0, *, mhz=4600.0, warm=None, cores=CORES, state="complete"):
    """A stage; each core is loaded for so long, a walking one for its share of it. `warm`: whole °C to seconds."""
    return {
        "kind": kind, "pattern": pattern, "seconds": seconds / (len(cores) if pattern == "walking" else 1), "mhz": mhz,
        "warm": warm, "cores": cores, "state": state,
    }  # fmt: skip


NIGHT = (
    load("vector", mhz=4600.0),
    load("integer", "walking", mhz=5100.0),
    load("vector", "walking", mhz=4600.0),
    load("integer", mhz=4800.0),
    load("memory", mhz=4800.0),
    load("exchange", seconds=600.0, mhz=4800.0),
    load("vector", "pulsed", seconds=250.0, mhz=4600.0),
)


def wrong(in_stage, core, number=1, *, expected=0, actual=1, where="stream 0", kind=None, at_s=10.0, at_c=None):
    kind = kind or NIGHT[in_stage]["kind"]
    near = None if at_c is None else NearReading(channel=CPU, role="cpu-temperature", value=at_c, apart_s=0.5)
    return Finding(
        rule="wrong-result", weight="fail", text="wrong", stage=in_stage, core=core, at_s=at_s, temperature=near,
        wrong=WrongResult(
            workload=f"{kind}/{KERNELS[kind]}", instruction_class=CLASSES[kind], round=number, where=where,
            expected=f"{expected:#018x}", actual=f"{actual:#018x}", flipped=f"{expected ^ actual:#018x}",
        ),
    )  # fmt: skip


def many(in_stage, cores, count, **more):
    """So many rounds with one wrong result each, on these cores in turn, spread over the stage's rounds."""
    rounds = int(more.pop("seconds", 3600.0) * 2)
    return [wrong(in_stage, cores[n % len(cores)], 1 + rounds * n // count, **more) for n in range(count)]


def night(*reasons, stages=NIGHT, channels=(), counted=None, **changes):
    """A verdict. `counted`: wrong results by stage, where more were counted than told; `changes`: of the evidence."""
    base = _base(len(stages), changes.pop("mismatches", 1000))
    evidence = base.evidence.model_copy(
        update={
            "stages": tuple(_stage(n, each, reasons, counted or {}) for n, each in enumerate(stages)),
            "points": (), "channels": tuple(channels), "findings": tuple(reasons), **changes,
        }
    )  # fmt: skip
    return base.model_copy(update={"evidence": evidence, "reasons": tuple(reasons), "outcome": "fail", "notes": ()})


@cache
def _base(stages, mismatches):
    shot = snapshot(logical_cores=8, cores_allowed="0-7")
    of_plan = plan(*(stage(name=f"Stage {n}") for n in range(stages)), mismatches=mismatches)
    return verdict(record(of_plan, snapshot=shot))


def _stage(index, each, reasons, counted):
    here = [finding for finding in reasons if finding.stage == index and finding.wrong]
    clock = ClockSummary(minimum_mhz=each["mhz"], median_mhz=each["mhz"], maximum_mhz=each["mhz"], samples=100)
    workers = tuple(
        WorkerResult(
            totals=totals(
                core,
                rounds=int(each["seconds"] * 2),
                checked_s=each["seconds"],
                mismatches=sum(finding.core == core for finding in here),
            ),
            planned_s=each["seconds"],
            checked_percent=100.0,
            clock=clock,
        )
        for core in each["cores"]
    )
    return StageResult(
        index=index, name=f"Stage {index}", workload=f"{each['kind']}/{KERNELS[each['kind']]}",
        instruction_class=CLASSES[each["kind"]], pattern=each["pattern"], planned_s=each["seconds"],
        state=each["state"], unit="operations", rounds=1, operations=1, per_second=1.0,
        mismatches=counted.get(index, len(here)), checked_percent=100.0, workers=workers,
        warmth=() if each["warm"] is None else (Warmth(role="cpu-temperature", seconds=each["warm"]),),
    )  # fmt: skip


def channel(name, role, unit="", **readings):
    return ChannelSummary(name=name, role=role, unit=unit, readings=100, gaps=0, gap_reasons={}, **readings)
