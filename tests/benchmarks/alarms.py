"""Is every alarm drilled? Each is taken out of a copy of the package, and the drills that should notice are done there:
`python tests/benchmarks/alarms.py [WORD…]`, where a word picks the mutants with it in alarm, module or drill.

A mutant that no drill misses is a gap; those that cannot be drilled say why, and what shows them instead. Ends with 1
when there is a gap.
"""

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from mutants import MUTANTS, drilled, mutated


def missed(mutant):
    """The drills that miss without this alarm."""
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "state"
        package = mutated(mutant, Path(folder))
        if not mutant.drills:
            return {}
        return {name: result["state"] for name, result in drilled(mutant.drills, home, package=package)[1].items()}


def main():
    words, gaps = sys.argv[1:], 0
    for mutant in MUTANTS:
        about = f"{mutant.alarm} {mutant.modules} {' '.join(mutant.drills)}"
        if words and not any(word in about for word in words):
            continue
        states = missed(mutant)
        told = ", ".join(f"{name}: {state}" for name, state in states.items()) or f"not drilled: {mutant.why}"
        gap = bool(states) and "missed" not in states.values()
        gaps += gap
        print(f"{'GAP ' if gap else ''}{mutant.alarm} | {mutant.modules} | {told}", flush=True)
    print(f"{gaps} gaps")
    sys.exit(1 if gaps else 0)


if __name__ == "__main__":
    main()
