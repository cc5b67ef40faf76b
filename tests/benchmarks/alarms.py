"""Is every alarm drilled? Each is taken out of a copy of the package, and the drills that should notice are done there:
`python tests/benchmarks/alarms.py [WORD…]`, where a word picks the mutants with it in alarm, module or drill.

The first copy has every alarm in it, and nothing may be missed there. A mutant that no drill misses is a gap. Ends
with 1 when there is one.
"""

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from mutants import MUTANTS, Mutant, drilled, mutated


def missed(mutant):
    """The drills that miss without this alarm."""
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "state"
        package = mutated(mutant, Path(folder))
        return {name: result["state"] for name, result in drilled(mutant.drills, home, package=package)[1].items()}


def control(words):
    """A copy with every alarm in it, in which nothing may be missed."""
    wanted = [each for each in MUTANTS if not words or any(word in about(each) for word in words)]
    return Mutant("nothing", tuple(dict.fromkeys(name for each in wanted for name in each.drills)), ())


def about(mutant):
    return f"{mutant.alarm} {mutant.modules} {' '.join(mutant.drills)}"


def main():
    words, gaps = sys.argv[1:], 0
    for mutant in (control(words), *MUTANTS):
        if mutant.changes and words and not any(word in about(mutant) for word in words):
            continue
        states = missed(mutant)
        told = ", ".join(f"{name}: {state}" for name, state in states.items())
        found = "missed" in states.values()
        gap = found if not mutant.changes else not found
        gaps += gap
        print(f"{'GAP ' if gap else ''}{mutant.alarm} | {mutant.modules} | {told}", flush=True)
    print(f"{gaps} gaps")
    sys.exit(1 if gaps else 0)


if __name__ == "__main__":
    main()
