"""What one reading of every kernel source costs: `python tests/benchmarks/sensor_cost.py`.

A tree of 64 cores with two threads each, two packages, eight memory modules, and the hwmon inputs of such a board, in
memory; then what this machine itself shows. Processor time of 200 readings, and the share of one core that one
reading a second takes. Files of a tree in memory cost an open, a read and a close, as those of sysfs do; what a driver
does in between (a bus transfer, a rapid counter) is not in it.
"""

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench_tree import Chip, make_hwmon
from kernel_trees import Thread, controller, edac, make, powercap, throttling, zone

from soakd.clock import SystemClock
from soakd.sensors.edac import EdacSource
from soakd.sensors.hwmon import HwmonSource
from soakd.sensors.kernel_log import KernelLogSource
from soakd.sensors.powercap import PowercapSource
from soakd.sensors.sampler import read_safely
from soakd.sensors.system import SystemSource
from soakd.sensors.throttling import ThrottleSource

READINGS = 200
THREADS = [Thread(package=n // 64, core=n % 32) for n in range(128)]
MODULES = {n: f"DIMM_{n}" for n in range(4)}
ZONES = {
    f"intel-rapl:{n}{sub}": zone(name)
    for n in (0, 1)
    for sub, name in (("", f"package-{n}"), (":0", "core"), (":1", "dram"))
}
CORES = {f"temp{n}_input": 45_000 for n in range(1, 66)} | {f"temp{n}_label": f"Core {n}" for n in range(1, 66)}
BOARD = {f"temp{n}_input": 33_000 for n in range(1, 11)} | {f"in{n}_input": 1_100 for n in range(15)}
BOARD |= {f"fan{n}_input": 900 for n in range(1, 8)}


def cost(name, source):
    read_safely(source)
    before_s, began_s = time.thread_time(), time.perf_counter()
    for _ in range(READINGS):
        read_safely(source)
    each_ms = 1e3 * (time.thread_time() - before_s) / READINGS
    wall_ms = 1e3 * (time.perf_counter() - began_s) / READINGS
    count = len(source.channels())
    print(
        f"{name:28} {count:4} channels {each_ms:8.3f} ms {wall_ms:8.3f} ms on the clock, {each_ms / 10:.3f} % of a core"
    )
    return each_ms


def main() -> None:
    clock = SystemClock()
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as folder:
        root = Path(folder)
        chips = [Chip(driver="coretemp", files=CORES), Chip(driver="nct6799", files=BOARD)]
        print("64 cores of two threads, two packages:")
        total = cost("  hwmon", HwmonSource(make_hwmon(root / "hwmon", chips)))
        total += cost("  powercap", PowercapSource(clock, make(root / "powercap", powercap(ZONES))))
        total += cost("  edac", EdacSource(make(root / "mc", edac(controller(MODULES), controller(MODULES)))))
        total += cost("  throttling", ThrottleSource(make(root / "cpu", throttling(THREADS))))
        total += cost("  kernel log", KernelLogSource())
        print(f"  together {total:.2f} ms: {total / 10:.2f} % of a core at one reading a second")
    print("this machine:")
    sources = [HwmonSource(), SystemSource(clock, beside_hwmon=False), PowercapSource(clock), EdacSource()]
    total = sum(cost(f"  {s.name}", s) for s in [*sources, ThrottleSource(), KernelLogSource()])
    print(f"  together {total:.2f} ms: {total / 10:.2f} % of a core at one reading a second")


if __name__ == "__main__":
    main()
