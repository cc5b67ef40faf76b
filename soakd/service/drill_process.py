"""Drills in a process of the daemon's, to which the daemon lends its bench.

Started as `python -m soakd.service.drill_process PARENT BENCH FOLDER NAMES…`. BENCH is the descriptor of the socket
that bears the bench's name: there is one such socket on a machine, and nobody but its holder can hand it on. JSON lines
out: `doing`, `result`, and at the end `report` or `trouble`.
"""

from __future__ import annotations

import json
import os
import socket
import sys
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from soakd.clock import SystemClock
from soakd.crew.kinship import die_with_parent
from soakd.errors import EXIT_INTERRUPTED, RefusedError, SoakdError
from soakd.model.drill import DrillResult
from soakd.service.drill.perform import chosen, perform
from soakd.service.home import BENCH_NAME, Home

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.service.drill.drills import Drill


class LentHome(Home):
    """A state folder whose bench somebody holds who has lent it."""

    def __init__(self, folder: Path, descriptor: int) -> None:
        super().__init__(folder)
        self._descriptor = descriptor

    @contextmanager
    def bench_lock(self) -> Iterator[None]:
        """Held until its last holder is gone, so also when the lender ends first. RefusedError for anything else."""
        try:
            bench = socket.socket(fileno=self._descriptor)
        except OSError:
            raise RefusedError("no bench was lent") from None
        with bench:
            bench.set_inheritable(False)
            if bench.family != socket.AF_UNIX or bench.getsockname() != os.fsencode(BENCH_NAME):
                raise RefusedError("what was lent is not this bench")
            yield


def main() -> None:
    parent, descriptor = (int(argument) for argument in sys.argv[1:3])
    die_with_parent(parent)
    try:
        home = LentHome(Path(sys.argv[3]), descriptor)
        report = perform(chosen(sys.argv[4:]), home, SystemClock(), _tell)
    except SoakdError as error:
        _say(trouble=error.message)
        raise SystemExit(error.exit_code) from None
    except KeyboardInterrupt:
        raise SystemExit(EXIT_INTERRUPTED) from None
    _say(report=report.model_dump(mode="json"))


def _tell(news: Drill | DrillResult) -> None:
    if isinstance(news, DrillResult):
        _say(result=news.model_dump(mode="json"))
    else:
        _say(doing=news.name)


def _say(**line: Any) -> None:
    sys.stdout.write(json.dumps(line, ensure_ascii=False) + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
