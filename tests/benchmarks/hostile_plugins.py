"""Does the guard mind them? From a broken limit to the last worker's end, without and with plugins that do their worst.

Every plugin is a process of its own: one hangs, one spins, one floods its pipe, one eats memory. Beside the time stand
ticks lost, the guard's own cost, and late readings of all other sources (the watched plugin's first, while its process
starts). Run: python tests/benchmarks/hostile_plugins.py
"""

import statistics
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from plugin_parts import folder_of
from soak_bench import Bench, plan_text

RUNS = 8
CODE = """
import os, threading, time
from soakd.api import Channel
kept = []
def flood():
    for pipe in range(3, 30):
        try:
            while "pipe" in os.readlink(f"/proc/self/fd/{{pipe}}"):
                os.write(pipe, b'{{"n":1,"values":{{"a":2}},"gaps":{{}}}}\\n' * 1000)
        except OSError:
            pass
class Probe:
    count = 0
    def channels(self):
        return [Channel(name="a", role="coolant-temperature")]
    def read(self):
        self.count += 1
        value = 30.0
        {what}
        return {{"a": value}}, {{}}
def sensors(options):
    return Probe()
"""
GOOD = {"watched": "value = 30.0 if self.count < 40 else 31.0"}
HOSTILE = {
    "hangs": "time.sleep(1e6) if self.count > 3 else None",
    "spins": "\n        while self.count > 3: pass",
    "floods": "threading.Thread(target=flood, daemon=True).start() if self.count == 3 else None",
    "leaks": "kept.append(bytearray(40 << 20))",
}
LIMIT = '[[limit]]\nof = "plugin/watched/a"\nabove = "30.5 °C"'
STAGE = 'workload = "integer"\nduration = "60 s"'
GUARD = 'temperature = "if-available"\ntick = "0.1 s"'


def measured(folder, plugins):
    """One run: milliseconds to the last worker's end, ticks lost, the guard's share of a core, late readings."""
    bench = Bench(folder)
    tables = []
    for name, what in plugins.items():
        place = folder_of(folder / name, CODE.format(what=what))
        tables.append(f'[[plugin]]\nname = "{name}"\nkind = "sensors"\nsource = "{place}"\n')
    (folder / "soakd.toml").write_text("".join(tables))
    (folder / "plan.toml").write_text(plan_text(STAGE, guard=GUARD, top=LIMIT))
    done = bench.run("run", folder / "plan.toml", "--config", folder / "soakd.toml", "--json")
    evidence = done.verdict["evidence"]
    assert done.rules[0] == "limit-broken", done.err
    late = sum(count for source, count in evidence["late_readings"].items() if source[len("plugin/") :] not in HOSTILE)
    return evidence["load_gone_s"] * 1e3, evidence["ticks_lost"], evidence["guard_cpu_percent"], late


def main():
    for title, plugins in (("one that is well", GOOD), ("and four that are not", GOOD | HOSTILE)):
        runs = []
        for _ in range(RUNS):
            with tempfile.TemporaryDirectory() as folder:
                runs.append(measured(Path(folder), plugins))
        gone_ms, lost, share, late = zip(*runs, strict=True)
        print(
            f"{title}: load gone after {statistics.median(gone_ms):.1f} ms, at most {max(gone_ms):.1f} ms; "
            f"{sum(lost)} ticks lost; guard {statistics.median(share):.1f} % of a core; {sum(late)} other readings late"
        )


if __name__ == "__main__":
    main()
