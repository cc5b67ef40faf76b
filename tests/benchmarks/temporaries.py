"""What becomes of a wrong bit in a temporary: `python tests/benchmarks/temporaries.py [--bits 40]`.

A state's wrong bit is always found; a temporary's can be rounded away before it reaches the state, and then no result
is wrong. One line of a kernel's own text gets an exclusive or behind it, one bit at a time, for one step of fresh
operands; then the kernel goes on unspoilt, and the check is asked. Every vector that the line serves is a trial.
"""

import argparse
import random
import re
from collections import Counter

from soakd.workloads import catalog, classes
from soakd.workloads.chain import ChainProgram
from soakd.workloads.classes import CLASSES
from soakd.workloads.vector import lanes, pipes, roots, single
from soakd.workloads.vector.residues import numbers

CHAINS = {
    "vector/lanes": lanes.Lanes,
    "vector/single": single.chain_of,
    "vector/pipes": pipes.chain_of,
    "vector/roots": roots.chain_of,
}
AFTER = 10


def spoilt(text: str, name: str, bit: int, bits: int) -> str:
    """The text with one bit of `name` inverted in every lane."""
    kind = re.search(rf"^{re.escape(name)} = (?:\w+ )*?(<(\d+) x (?:double|float)>)", text, re.MULTILINE)
    vector, count = kind[1], int(kind[2])
    whole, mask = f"<{count} x i{bits}>", ", ".join([f"i{bits} {1 << bit}"] * count)
    line = next(line for line in text.splitlines() if line.startswith(f"{name} = "))
    changed = [
        line.replace(f"{name} = ", f"{name}.raw = ", 1),
        f"{name}.bits = bitcast {vector} {name}.raw to {whole}",
        f"{name}.xor = xor {whole} {name}.bits, <{mask}>",
        f"{name} = bitcast {whole} {name}.xor to {vector}",
    ]
    return text.replace(line, "\n".join(changed), 1)


def tried(chain, target, name: str, bit: int) -> Counter:
    """Lanes by what became of the bit: found, gone without a trace, or in the state and yet unnoticed."""
    form = chain._recipe.form
    right = ChainProgram(chain, target)
    wrong = ChainProgram(chain, target, text=spoilt(chain.text(), name, bit, form.bits))
    block, states = chain.fresh(), []
    for program in (right, wrong):
        task = program.task(memory_bytes=0, beat=lambda: None)
        task.load(block)
        task.advance(1)
        states.append(task.state())
    task = right.task(memory_bytes=0, beat=lambda: None)
    task.load([*states[1], *block[chain.state_words :]])
    task.advance(AFTER)
    found = len(chain.faults(block, AFTER + 1, task.state()))
    pairs = zip(numbers(states[0], form), numbers(states[1], form), strict=True)
    changed = sum(old != new for old, new in pairs)  # what is no number differs from everything
    trials = chain.vectors // chain._interleave * chain._lanes
    return Counter(trials=trials, found=found, gone=trials - max(changed, found), unnoticed=max(changed - found, 0))


def line(chain, target, name: str, bits: list[int]) -> str:
    total = Counter()
    for bit in bits:
        total += tried(chain, target, name, bit)
    found, gone, unnoticed = (total[each] / total["trials"] for each in ("found", "gone", "unnoticed"))
    short = name.strip("%").rstrip("0")
    return f"{short:10} {total['trials']:8,} {found:8.1%} {gone:8.1%} {unnoticed:24.1%}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--bits", type=int, default=40, help="for each temporary")
    options, dice, here = parser.parse_args(), random.Random(1), classes.available()
    columns = f"{'temporary':10} {'trials':>8} {'found':>8} {'gone':>8} {'in the state, unnoticed':>24}"
    print(f"{'kernel':15} {'class':15} {columns}")
    for workload, make in CHAINS.items():
        for level in [each for each in catalog.entry(workload).classes if each in here]:
            chain = make(CLASSES[level])
            step = [text.partition(" = ")[0] for text in chain._step(*chain._kind(), 0) if " = " in text]
            for name in step[:-1]:
                bits = [dice.randrange(chain._recipe.form.bits) for _ in range(options.bits)]
                print(f"{workload:15} {level:15} {line(chain, CLASSES[level], name, bits)}")


if __name__ == "__main__":
    main()
