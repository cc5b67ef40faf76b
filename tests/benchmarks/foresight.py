"""How often the early warning is wrong, and how early it is right: `python tests/benchmarks/foresight.py`.

False alarms: nights of eight hours of steady readings just below a limit, in six kinds of noise, to an eighth of a
degree and to a whole one. Lead: courses that end above the limit, and how long before it each is told of; `late` are
those that broke it first. Everything from seeds, so that the same numbers come out again.
"""

import argparse
import itertools
import math
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "rules"))

from test_foresight import STEADY, bound, first_warning, pump_fails, readings, two_steps, white

NIGHT_S = 8 * 3600
COURSES = {
    "tau 20 s to 100 °C": (lambda t: 100.0 - 55.0 * math.exp(-t / 20.0), 90.0),
    "tau 60 s to 95 °C": (lambda t: 95.0 - 50.0 * math.exp(-t / 60.0), 90.0),
    "tau 120 s to 95 °C": (lambda t: 95.0 - 50.0 * math.exp(-t / 120.0), 90.0),
    "tau 300 s to 97 °C": (lambda t: 97.0 - 50.0 * math.exp(-t / 300.0), 90.0),
    "die and cooler": (two_steps, 88.0),
    "pump fails at 70 °C": (pump_fails, 90.0),
}
NOISES = {"0.3 K": white(0.3), "wandering": STEADY["wandering"][0], "1 K": white(1.0)}


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=20, help="of each kind")
    parser.add_argument("--draws", type=int, default=40, help="of each course")
    asked = parser.parse_args()
    hours = 0
    for kind, (noise, far) in STEADY.items():
        alarms = 0
        for seed, (below_k, steps) in itertools.product(range(asked.nights), ((0.5, 8), (2.0, 1))):
            rows = readings(lambda _: 80.0, noise, seed, steps=steps, seconds=NIGHT_S)
            alarms += first_warning(rows, bound(80.0 + far + below_k)) is not None
            hours += 8
        print(f"{kind}: {alarms} false alarms in {2 * asked.nights} nights", flush=True)
    print(f"{hours} hours in all")
    for name, (course, limit_c) in COURSES.items():
        reached_s = next(t for t in range(3600) if course(t) > limit_c)
        for noise_name, noise in NOISES.items():
            told = [first_warning(readings(course, noise, n, seconds=3600), bound(limit_c)) for n in range(asked.draws)]
            leads = sorted(reached_s - found[0] for found in told if found is not None)
            middle = f"{leads[len(leads) // 2]:.0f} s ahead, {leads[0]:.0f} to {leads[-1]:.0f}" if leads else "never"
            print(f"{name}, {noise_name}: {middle}; late {told.count(None)} of {len(told)}", flush=True)


if __name__ == "__main__":
    main()
