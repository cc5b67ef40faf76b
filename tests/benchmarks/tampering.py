"""Every byte of signed verdicts, changed: `python tests/benchmarks/tampering.py [VERDICTS]`.

Each byte of each exported file is replaced by one other value (chosen by a seed), and each byte of the first file by
all 255 others; a byte is left out, doubled, or the file is cut there. Whatever is not refused with a reason is shown.
"""

import random
import re
import sys
import tempfile
import time
from collections import Counter
from multiprocessing import Pool
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from trust_parts import Bench

VERDICTS = 200
SEED = 1
BLOCK = 500


def other_value(raw, place):
    """One other value at each place, the same in every repetition."""
    value = random.Random(f"{SEED} {place}").randrange(255)
    yield _put(raw, place, value + (value >= raw[place]))


def every_value(raw, place):
    """All 255 others."""
    yield from (_put(raw, place, value) for value in range(256) if value != raw[place])


def other_length(raw, place):
    """Left out, twice, and cut off there."""
    yield from (raw[:place] + raw[place + 1 :], raw[:place] + raw[place:][:1] + raw[place:], raw[:place])


def _put(raw, place, value):
    return raw[:place] + bytes([value]) + raw[place + 1 :]


def tried(work):
    """One block of places of one file: how many changes, reasons, and what got through."""
    number, change, first = work
    reasons, through = Counter(), []
    for place in range(first, min(first + BLOCK, len(FILES[number]))):
        for changed in change(FILES[number], place):
            if changed == FILES[number]:
                continue
            found = VERIFIER.file(changed, "it")
            reasons[re.sub("[0-9a-f]{16}…", "…", found.text.split(":")[0])] += 1
            if found.state != "refused" or not found.text:
                through.append((number, place, found.text))
    return reasons, through


def told(words, works):
    began_s = time.monotonic()
    reasons, through = Counter(), []
    with Pool() as pool:
        for counted, got in pool.imap_unordered(tried, works):
            reasons += counted
            through += got
    total, took_s = reasons.total(), time.monotonic() - began_s
    print(f"{words}: {total - len(through)} of {total} refused, {took_s:.0f} s, {1e6 * took_s / total:.0f} us each")
    for reason, count in reasons.most_common(12):
        print(f"  {count:>10}  {reason}", flush=True)
    for number, place, text in through[:20]:
        print(f"  NOT REFUSED: verdict {number}, byte {place}: {text}")
    return not through


def works(numbers, change):
    return [(number, change, first) for number in numbers for first in range(0, len(FILES[number]), BLOCK)]


if __name__ == "__main__":
    many = int(sys.argv[1]) if len(sys.argv) > 1 else VERDICTS
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder) / "state", many)
        FILES = [bench.exported(f"run-{number:04d}") for number in range(1, many + 1)]
        VERIFIER = bench.verifier()
        assert all(VERIFIER.file(raw, "it").state == "verified" for raw in FILES)
    print(f"{many} signed verdicts, {sum(map(len, FILES))} bytes")
    good = told("every byte, one other value", works(range(many), other_value))
    good &= told("every byte of the first, all 255 others", works([0], every_value))
    good &= told("every byte of the first, left out, doubled, cut", works([0], other_length))
    raise SystemExit(0 if good else 1)
