"""What leads say of benches with known causes: `python tests/benchmarks/leads.py [--drawn SEED] [--null 2000]`.

First a table of virtual benches, each with one cause (`tests/lead_parts.py`), or those drawn from a seed, which nobody
looked at while the rules were made (`tests/lead_draws.py`): the first lead is right alone, right with
others beside it that this night cannot tell from it, or wrong; confidently wrong is one that is called strong or fair.
Then healthy benches, which have no lead. Then nights whose errors come at one rate on all cores and under every
load: how often a place is named then, at each confidence.
"""

import argparse
import os
import random
import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from lead_draws import drawn
from lead_parts import BENCHES, night, said
from virtual_parts import lantern

from soakd.model.finding import Finding
from soakd.rules.leads import leads


def benches(drawn_from: int | None) -> dict:
    return BENCHES if drawn_from is None else drawn(drawn_from)


def one(name: str, drawn_from: int | None) -> tuple[str, str, list[str], int]:
    make, right = benches(drawn_from)[name]
    verdict, found = said(make)
    told = [f"{lead.confidence} {lead.name}" + "".join(f" / {other}" for other in lead.beside) for lead in found]
    first = found[0] if found else None
    how = "nothing said" if first is None else "not told apart" if first.name == "not-told-apart" else "wrong"
    if first is not None and first.name == right:
        how = "right, with others" if first.beside else "right"
    elif first is not None and first.name == "one-core" and right.startswith("one-core"):
        how = "right, core only"
    elif first is not None and right in first.beside:
        how = "right, with others"
    elif first is not None and first.confidence in {"strong", "fair"}:
        how = "CONFIDENTLY WRONG"
    return name, how, told, sum(stage.mismatches for stage in verdict.evidence.stages)


def healthy(seed: int) -> tuple[str, ...]:
    return tuple(lead.name for lead in leads(night(lantern(), seed=seed)))


def named_by_chance(verdict, times: int) -> Counter:
    """Errors put anywhere in a clean night's load, 1 to 20 of them; every other night ends with its last."""
    draws = random.Random(1)
    loads = [(s, w) for s in verdict.evidence.stages for w in s.workers if w.totals.rounds]
    found: Counter = Counter()
    for number in range(times):
        count, stops = draws.randint(1, 20), bool(number % 2)
        hit = draws.choices(loads, [w.totals.checked_s for _, w in loads], k=3 * count if stops else count)
        wrong = sorted((_wrong(s, w, draws) for s, w in hit), key=lambda f: (f.stage, _share(verdict, f)))[:count]
        last = (wrong[-1].stage, _share(verdict, wrong[-1])) if stops else (len(verdict.plan.stages), 1.0)
        stages = tuple(_until(stage, *last) for stage in verdict.evidence.stages)
        evidence = verdict.evidence.model_copy(
            update={"findings": tuple(wrong), "stages": stages, "load_gone_s": 0.01 if stops else None}
        )
        guard = verdict.plan.guard.model_copy(update={"mismatches": count if stops else 1000})
        plan = verdict.plan.model_copy(update={"guard": guard})
        made = verdict.model_copy(update={"reasons": tuple(wrong), "evidence": evidence, "plan": plan})
        first = leads(made)[0]
        found["nothing" if first.name in {"not-told-apart", "everywhere"} else first.confidence] += 1
    return found


def _share(verdict, finding) -> float:
    """Of the stage that was over."""
    workers = {w.totals.core: w.totals for w in verdict.evidence.stages[finding.stage].workers}
    return finding.wrong.round / workers[finding.core].rounds


def _until(stage, last, share):
    """A stage as it is where the load ended in stage `last`, after this share of it."""
    if stage.index < last:
        return stage
    part = share if stage.index == last else 0.0
    workers = tuple(
        worker.model_copy(
            update={
                "totals": worker.totals.model_copy(
                    update={"rounds": int(worker.totals.rounds * part), "checked_s": worker.totals.checked_s * part}
                )
            }
        )
        for worker in stage.workers
    )
    return stage.model_copy(update={"workers": workers})


def _wrong(stage, worker, draws) -> Finding:
    wrong = {
        "workload": stage.workload, "instruction_class": stage.instruction_class, "where": "", "expected": "0x0",
        "round": draws.randint(1, worker.totals.rounds), "actual": "0x1", "flipped": f"{1 << draws.randrange(64):#x}",
    }  # fmt: skip
    place = {"stage": stage.index, "core": worker.totals.core, "temperature": _near(stage, worker.totals.core, draws)}
    return Finding.model_validate({"rule": "wrong-result", "weight": "fail", "text": "", "wrong": wrong, **place})


def _near(stage, core, draws) -> dict | None:
    """A temperature of the stage's load, as often as it was there."""
    warmth = next((each for each in stage.warmth if each.core in {None, core}), None)
    if warmth is None:
        return None
    (degree,) = draws.choices(list(warmth.seconds), list(warmth.seconds.values()))
    return {"channel": "", "role": warmth.role, "value": degree + 0.5, "apart_s": 0.0}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--healthy", type=int, default=20)
    parser.add_argument("--null", type=int, default=2000)
    parser.add_argument("--drawn", type=int, help="benches drawn from this seed in place of the shipped table")
    parser.add_argument("--only", default="", help="part of a bench's name")
    options = parser.parse_args()
    began_s = time.perf_counter()
    counts: Counter = Counter()
    with ProcessPoolExecutor(len(os.sched_getaffinity(0))) as pool:
        names = [name for name in benches(options.drawn) if options.only in name]
        for name, how, told, errors in pool.map(one, names, [options.drawn] * len(names)):
            counts[how] += 1
            print(f"{how:20} {name:45} {errors:3} wrong  {'; '.join(told)}", flush=True)
        print(f"{dict(counts)}, in {time.perf_counter() - began_s:.0f} s")
        spoke = [names for names in pool.map(healthy, range(options.healthy)) if names]
        print(f"healthy benches with a lead: {len(spoke)} of {options.healthy} {spoke}")
    if options.null:
        found = named_by_chance(night(lantern(), seed=0), options.null)
        print(f"errors at one rate everywhere, {options.null} nights: {dict(found)}")


if __name__ == "__main__":
    main()
