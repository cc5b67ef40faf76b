"""What limits cost the guard: `python tests/benchmarks/limit_cost.py [--ticks 30000]`. Nothing is loaded.

200 channels, and on them every kind of limit: 118 processor temperatures that wander near their limit, each with a
plain limit, a difference, a rise and a share; 40 counters that always count; 40 rails in a band. Readings come in four
batches a tick, as from four sources. Says how long a tick takes, of which 1 s is there, and how the process grows.
"""

import argparse
import random
import time
from pathlib import Path

from soakd.model.channels import Batch, Channel, Role
from soakd.model.limits import Limit
from soakd.model.plan import Plan, Stage
from soakd.rules.bounds import resolve
from soakd.rules.guard import Guard

CORES, COUNTERS, RAILS = 118, 40, 40
LIMITS = (
    Limit(of="cpu-temperature", above="90 °C", hold_s=3.0),
    Limit(of="cpu-temperature", minus="coolant-temperature", above="60 K"),
    Limit(of="cpu-temperature", rises="600 K/min", over_s=60.0),
    Limit(of="cpu-temperature", above="85 °C", share_percent=90.0, then="note"),
    Limit(of="corrected-memory-errors", per_hour="100000 events", then="note"),
    Limit(of="voltage", outside=("1.0 V", "1.2 V")),
)


def channels():
    yield from (Channel(name=f"hwmon/cpu/{n}", role=Role.CPU_TEMPERATURE) for n in range(CORES))
    yield from (Channel(name=f"hwmon/loop/{n}", role=Role.COOLANT_TEMPERATURE) for n in range(2))
    yield from (Channel(name=f"edac/{n}", role=Role.CORRECTED_MEMORY_ERRORS) for n in range(COUNTERS))
    yield from (Channel(name=f"hwmon/rail/{n}", role=Role.VOLTAGE) for n in range(RAILS))


def batches(now, draw, names):
    """Temperatures that swing by some kelvin within minutes, up to half a kelvin below their limit."""
    swing = 83.0 + 5.0 * (now % 400) / 400.0
    values = {
        name: swing + draw.gauss(0.0, 0.4) if name.startswith("hwmon/cpu")
        else 35.0 + draw.gauss(0.0, 0.1) if name.startswith("hwmon/loop")
        else float(now + n) if name.startswith("edac") else 1.1 + draw.gauss(0.0, 0.01)
        for n, name in enumerate(names)
    }  # fmt: skip
    for part in range(4):
        yield Batch(source=str(part), at_s=float(now), values=dict(list(values.items())[part::4]), gaps={})


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--ticks", type=int, default=30_000)
    ticks = parser.parse_args().ticks
    inputs = list(channels())
    stage = Stage(name="Heat", workload="vector", duration_s=float(ticks + 60))
    plan = Plan(version=1, name="Cost", limits=LIMITS, stages=(stage,))
    bounds, _ = resolve(plan, inputs)
    guard = Guard(plan, inputs, bounds, begun_s=0.0, suspended_s=0.0)
    guard.stage_begins(0, "vector-256", 0.0)
    draw, names, found = random.Random(1), [c.name for c in inputs], 0
    took, kept = [], []
    for now in range(1, ticks + 1):
        made = list(batches(now, draw, names))
        begun = time.perf_counter()
        for batch in made:
            found += len(guard.readings(batch))
        found += len(guard.tick(float(now), 0.0, 0.0)[2])
        took.append(time.perf_counter() - begun)
        if now % (ticks // 4) == 0:
            kept.append(int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1]) * 4096 / 2**20)
    took.sort()
    print(f"{len(inputs)} channels, {len(bounds)} bounds, {ticks} ticks, {found} findings")
    print(f"a tick: median {took[len(took) // 2] * 1e3:.2f} ms, 99 % {took[int(len(took) * 0.99)] * 1e3:.2f} ms, "
          f"at most {took[-1] * 1e3:.2f} ms")  # fmt: skip
    print(f"this process after each quarter, MiB: {', '.join(f'{mib:.1f}' for mib in kept)}")


if __name__ == "__main__":
    main()
