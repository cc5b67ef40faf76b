"""Every process of the chain dies with its parent, whatever kills the parent.

PR_SET_PDEATHSIG is set inside the child and cleared by fork, so each process sets its own; it is tied to the *thread*
that made the child, so children are only ever made from main threads (PR_SET_PDEATHSIG(2const)). A parent that died
before the call would leave no signal, hence the look back afterwards.
"""

from __future__ import annotations

import os
import signal

from soakd.crew.prctl import prctl
from soakd.errors import UnsupportedError

_PR_SET_PDEATHSIG = 1
EXIT_ORPHANED = 3


def die_with_parent(parent_pid: int) -> None:
    """Be killed as soon as the parent is gone; leaves at once if it already is.

    Raises UnsupportedError where the kernel has no such call.
    """
    if not prctl(_PR_SET_PDEATHSIG, signal.SIGKILL):
        raise UnsupportedError("this system cannot tie a process to its parent; soakd loads a bench only on Linux")
    if os.getppid() != parent_pid:
        os._exit(EXIT_ORPHANED)
