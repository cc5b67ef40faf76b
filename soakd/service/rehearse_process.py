"""One rehearsal in a process of its own, which its parent lets run only where nobody else needs the core.

Started as `python -m soakd.service.rehearse_process PARENT HOME PLAN SHEET BENCH SEED`; SHEET is "-" for none. JSON
lines out: how far it is, and last what came of it.
"""

from __future__ import annotations

import json
import resource
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from soakd.crew.kinship import die_with_parent
from soakd.errors import SoakdError
from soakd.model.virtual import VirtualBench
from soakd.report.page import page
from soakd.report.rehearsed_view import rehearsed_view
from soakd.service.reporting import rehearsed_night
from soakd.web import stored
from soakd.web.rehearsals import INVENTED, NO_SHEET

if TYPE_CHECKING:
    from soakd.model.journal import Event

MOST_CPU_S = 300
_TOLD = 0.01
"""Share of the plan after which it is said again how far it is."""


def _say(**line: Any) -> None:
    sys.stdout.write(json.dumps(line, ensure_ascii=False) + "\n")
    sys.stdout.flush()


def _rehearse(home: Path, plan_key: str, sheet_key: str, bench_key: str, seed: int) -> None:
    plan = stored.plan(home, plan_key)
    sheet = None if sheet_key == NO_SHEET else stored.sheet(home, sheet_key)
    about = VirtualBench() if bench_key == INVENTED else stored.bench(home, bench_key)
    told_s = 0.0

    def also(event: Event) -> None:
        nonlocal told_s
        if event.at_s - told_s >= _TOLD * plan.duration_s:
            told_s = event.at_s
            _say(share=min(1.0, event.at_s / plan.duration_s))

    shown, night = rehearsed_night(plan, sheet, about, plan_file=plan_key, seed=seed, also=also)
    _say(view=rehearsed_view(shown, night).model_dump_json(), report=page(night))


def main() -> None:
    die_with_parent(int(sys.argv[1]))
    resource.setrlimit(resource.RLIMIT_CPU, (MOST_CPU_S, MOST_CPU_S))
    home, plan_key, sheet_key, bench_key, seed = sys.argv[2:7]
    try:
        _rehearse(Path(home), plan_key, sheet_key, bench_key, int(seed))
    except SoakdError as error:
        _say(refused=f"{error.message}. {error.hint}".strip() if error.hint else error.message)


if __name__ == "__main__":
    main()
