"""Leaf module: the error tree. Imports nothing of ours.

SoakdError                 one clear line, a hint, an exit code
├── ConfigError            a file was refused: file, key, value, what would be right (78)
├── RefusedError           the run must not start as asked (78)
│   └── PluginError        a plugin cannot be loaded, or does not keep its contract (78)
├── NotPermittedError      the operating system says no (77)
├── UnsupportedError       this system lacks what the command needs (2)
├── UsageError             the words of a command are off (2)
│   └── StateError         what is asked for cannot be done where things stand (2)
├── StoreError             the journal cannot be opened, read or written (74)
├── BenchKeyError          the key that signs verdicts is lost, damaged, or open to others (74)
├── UnreachableError       no daemon answers (69)
└── WorkloadError          a kernel cannot be built, or computes wrongly when tried (1)

A user's mistake is one of these and never shows a traceback; any other exception is our bug.
"""

from __future__ import annotations

EXIT_PASS = 0
EXIT_FAIL = 1
EXIT_USAGE = 2
EXIT_INCONCLUSIVE = 10
EXIT_UNREACHABLE = 69
EXIT_STORE = 74
EXIT_NOT_PERMITTED = 77
EXIT_CONFIG = 78
EXIT_INTERRUPTED = 130


class SoakdError(Exception):
    """What went wrong in one line, with a hint at the remedy."""

    exit_code = EXIT_FAIL
    code = "error"
    """What kind of refusal it is, for machines."""

    def __init__(self, message: str, *, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint


class ConfigError(SoakdError):
    """A file was refused; names file, key, value and what would be right."""

    code = "config"
    exit_code = EXIT_CONFIG

    def __init__(self, *, file: str, key: str, value: str, wanted: str) -> None:
        where = f"{file}: {key}" if key else file
        got = f" = {value}" if value else ""
        super().__init__(f"{where}{got}: {wanted}")
        self.file = file
        self.key = key
        self.value = value
        self.wanted = wanted


class RefusedError(SoakdError):
    """The plan does not fit this bench; nothing was started."""

    code = "refused"
    exit_code = EXIT_CONFIG


class PluginError(RefusedError):
    """A plugin of the configuration cannot be used; the message names it."""

    code = "plugin"


class NotPermittedError(SoakdError):
    """The operating system denies what the command needs."""

    code = "permission"
    exit_code = EXIT_NOT_PERMITTED


class UnsupportedError(SoakdError):
    """This system lacks what the command needs."""

    code = "unsupported"
    exit_code = EXIT_USAGE


class UsageError(SoakdError):
    """The words of a command name nothing that exists."""

    code = "usage"
    exit_code = EXIT_USAGE


class StateError(UsageError):
    """The words are right, but the thing is not where it could be done."""

    code = "state"


class StoreError(SoakdError):
    """The journal cannot be opened, read or written."""

    code = "store"
    exit_code = EXIT_STORE


class BenchKeyError(SoakdError):
    """The key that signs verdicts cannot be used; nothing is put in its place unless somebody asks for it."""

    code = "key"
    exit_code = EXIT_STORE


class UnreachableError(SoakdError):
    """The command needs the daemon, and none answers."""

    code = "unreachable"
    exit_code = EXIT_UNREACHABLE


class WorkloadError(SoakdError):
    """A kernel cannot be built here, or its known answer came out wrong."""

    code = "workload"
