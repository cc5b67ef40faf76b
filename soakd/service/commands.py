"""Programs of the tuner's, run with limits: no shell, a bare environment, a deadline, a group that can be killed.

Only a program that nobody but root or soakd's own user can alter is called.
"""

from __future__ import annotations

import contextlib
import os
import resource
import signal
import stat
import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from soakd.errors import RefusedError

if TYPE_CHECKING:
    from collections.abc import Sequence

MOST_OUTPUT_BYTES = 64 * 1024
_ENVIRONMENT = {"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL": "C.UTF-8"}
_MOST_FILE_BYTES = 16 * 2**20


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """How a call went."""

    output: str
    """Standard output and standard error together, as far as there is room."""
    trouble: str | None
    """Why it did not do what it should; None when it ended with 0."""


def refuse_unsafe(program: str, what: str) -> None:
    """Raises RefusedError for a program that is not there, not absolute, or that others could change."""
    path = Path(program)
    if not path.is_absolute():
        raise RefusedError(f"{what} {path}: give the absolute path of a program")
    try:
        place = path.resolve(strict=True)
        about = [place.stat(), place.parent.stat()]
    except OSError as error:
        raise RefusedError(f"{what} {path}: {error.strerror}") from error
    if not os.access(place, os.X_OK) or not place.is_file():
        raise RefusedError(f"{what} {path}: not a program that may be run")
    for each in about:
        if each.st_uid not in {0, os.geteuid()} or each.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
            raise RefusedError(
                f"{what} {path}: others than root and the daemon's user could change it",
                hint="chown it (and its folder) to root and take write permission from group and others",
            )


def run_limited(command: Sequence[str], what: str, said: bytes, timeout_s: float) -> Ended:
    """To its end or its deadline, with `said` on its standard input. Never raises."""
    try:
        refuse_unsafe(command[0], what)
        with subprocess.Popen(  # noqa: S603 - a checked absolute path, no shell
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            env=_ENVIRONMENT,
            cwd="/",
            start_new_session=True,
        ) as process:
            resource.prlimit(process.pid, resource.RLIMIT_CORE, (0, 0))
            resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (_MOST_FILE_BYTES, _MOST_FILE_BYTES))
            return _ended(process, said, timeout_s)
    except (OSError, RefusedError, subprocess.SubprocessError) as error:
        return Ended(output="", trouble=str(error))


def _ended(process: subprocess.Popen[bytes], said: bytes, timeout_s: float) -> Ended:
    try:
        output, _ = process.communicate(said, timeout=timeout_s)
    except subprocess.TimeoutExpired:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.communicate()
        return Ended(output="", trouble=f"not done after {timeout_s:g} s, killed")
    text = output[:MOST_OUTPUT_BYTES].decode(errors="replace").strip()
    trouble = f"ended with {process.returncode}: {text[-300:] or 'it said nothing'}" if process.returncode else None
    return Ended(output=text, trouble=trouble)
