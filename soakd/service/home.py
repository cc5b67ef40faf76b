"""Where state lives, who may use it, and the bench lock that a crash cannot leave behind."""

from __future__ import annotations

import errno
import os
import socket
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from soakd.errors import NotPermittedError, RefusedError, StoreError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from typing import TextIO

BENCH_NAME = "\0soakd bench"
RESERVE_BYTES = 512 * 1024


class Home:
    """One folder: `$SOAKD_HOME`, or the XDG state folder of the user."""

    def __init__(self, folder: Path | None = None) -> None:
        self.folder = folder or default_folder()
        self.bench: socket.socket | None = None
        """What holds the bench's name, while the lock is ours."""

    @property
    def journal(self) -> Path:
        return self.folder / "journal.db"

    @property
    def key(self) -> Path:
        """What verdicts are signed with."""
        return self.folder / "bench.key"

    @property
    def tale(self) -> Path:
        """Where the limiter of the newest run tells what it did."""
        return self.folder / "limiter"

    @property
    def drills(self) -> Path:
        """The report of the last whole round of drills."""
        return self.folder / "drill.json"

    @property
    def _reserve(self) -> Path:
        return self.folder / "reserve"

    def make(self) -> None:
        """Create the folder, for its owner alone, and whatever we make from here on. NotPermittedError, StoreError."""
        os.umask(0o077)
        try:
            self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        except PermissionError as error:
            raise NotPermittedError(
                f"{self.folder}: {error.strerror}", hint="set SOAKD_HOME to a folder of yours"
            ) from error
        except OSError as error:
            raise StoreError(
                f"{self.folder}: {error.strerror}", hint="set SOAKD_HOME to a folder that can be made"
            ) from error

    @contextmanager
    def bench_lock(self) -> Iterator[None]:
        """One run at a time on this bench, and one writer in this folder. The kernel frees both, however we end.

        A name in the abstract socket namespace is the bench's own: seen by every user and every state folder, and gone
        with the process (unix(7)). Containers with a network namespace of their own have a bench of their own.
        """
        import fcntl  # noqa: PLC0415 - not everywhere, and a ledger can be read everywhere

        busy = RefusedError("another run is using this bench", hint="if it is the daemon, ask it: `soakd queue add`")
        with self._opened_lock() as lock, socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as bench:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                bench.bind(BENCH_NAME)
            except OSError as error:
                if error.errno not in {errno.EWOULDBLOCK, errno.EADDRINUSE}:
                    raise
                raise busy from None
            self.bench = bench
            try:
                yield
            finally:
                self.bench = None

    def _opened_lock(self) -> TextIO:
        path = self.folder / "lock"
        try:
            return path.open("w", encoding="ascii")
        except PermissionError as error:
            hint = "it belongs to another user, perhaps after a run with sudo; chown the folder, or set SOAKD_HOME"
            raise NotPermittedError(f"{path}: {error.strerror}", hint=hint) from error

    def keep_reserve(self) -> None:
        """Hold some space back, so that a verdict can still be written when the drive is full."""
        with suppress(OSError):
            if self._reserve.stat().st_size == RESERVE_BYTES:
                return
        with suppress(OSError), self._reserve.open("wb") as reserve:
            os.posix_fallocate(reserve.fileno(), 0, RESERVE_BYTES)

    def release_reserve(self) -> None:
        """A drive that turned read-only keeps it; then there is nothing to be gained either."""
        with suppress(OSError):
            self._reserve.unlink(missing_ok=True)


def put_whole(path: Path, text: str) -> None:
    """All or nothing, durable on return: a new file, closed to others from its first byte on. Raises OSError."""
    new = path.with_suffix(".new")
    new.unlink(missing_ok=True)
    descriptor = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    new.replace(path)
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def default_folder() -> Path:
    """`$SOAKD_HOME`, else the XDG base directory for state."""
    if home := os.environ.get("SOAKD_HOME"):
        return Path(home)
    state = os.environ.get("XDG_STATE_HOME")
    return (Path(state) if state else Path.home() / ".local/state") / "soakd"
