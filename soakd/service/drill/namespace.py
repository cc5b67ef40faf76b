"""A mount namespace of a process's own, in which made files stand where the kernel's are. It ends with its processes.

mount_namespaces(7), user_namespaces(7). Python offers the calls only from 3.12 on, and mount(2) not at all.
"""

from __future__ import annotations

import ctypes
import os
import tempfile
from pathlib import Path
from typing import Final

_NEWNS: Final = 0x0002_0000
_NEWUSER: Final = 0x1000_0000
_BIND: Final = 0x1000
_REC: Final = 0x4000
_PRIVATE: Final = 1 << 18


def enter() -> None:
    """Once, in a process without other threads. As root a mount namespace alone is taken, so that nothing else that
    root may do is lost; an ordinary user needs a user namespace too. Raises OSError where that is not permitted.
    """
    user, group = os.geteuid(), os.getegid()
    try:
        _call("unshare", _NEWNS)
    except OSError:
        _call("unshare", _NEWNS | _NEWUSER)
        Path("/proc/self/setgroups").write_text("deny", encoding="ascii")
        Path("/proc/self/uid_map").write_text(f"{user} {user} 1", encoding="ascii")
        Path("/proc/self/gid_map").write_text(f"{group} {group} 1", encoding="ascii")
    _mount(None, Path("/"), _REC | _PRIVATE)


def show(made: Path, at: Path, spare: Path) -> None:
    """Let a made file or folder stand at a place of the system, which need not exist. `spare`: a folder for what has
    to be kept at hand. Raises OSError.
    """
    if not at.exists():
        _make_room(next(parent for parent in at.parents if parent.exists()), spare)
        at.mkdir(parents=True)
    _mount(made, at, _BIND | _REC)


def small_drive(at: Path, size_kib: int) -> None:
    """A file system in memory with so much room. Raises OSError."""
    at.mkdir()
    _mount(None, at, 0, kind="tmpfs", data=f"size={size_kib}k")


def refusal() -> str | None:
    """Why this machine does not permit one; None where it does. Tried in a child, with which it ends."""
    read_end, write_end = os.pipe()
    with tempfile.TemporaryDirectory() as folder:
        pid = os.fork()
        if pid == 0:
            try:
                os.write(write_end, _tried(Path(folder)).encode())
            finally:
                os._exit(0)
        os.close(write_end)
        with os.fdopen(read_end, encoding="utf-8", errors="replace") as answer:
            why = answer.read()
        os.waitpid(pid, 0)
    return why or None


def _tried(folder: Path) -> str:
    made, spare, drive = (folder / name for name in ("made", "spare", "drive"))
    try:
        made.mkdir()
        spare.mkdir()
        enter()
        small_drive(drive, 64)
        show(made, Path("/sys/class/hwmon"), spare)
    except OSError as error:
        return f"no privileges for a namespace ({error.strerror})"
    return ""


def _make_room(folder: Path, spare: Path) -> None:
    """The folder as it is, but on a file system in which something can be added."""
    under = Path(tempfile.mkdtemp(dir=spare))
    _mount(folder, under, _BIND | _REC)
    _mount(None, folder, 0, kind="tmpfs")
    for each in under.iterdir():
        own = folder / each.name
        if each.is_symlink():
            own.symlink_to(each.readlink())
            continue
        own.mkdir() if each.is_dir() else own.touch()
        _mount(each, own, _BIND | _REC)


def _mount(source: Path | None, target: Path, flags: int, *, kind: str = "none", data: str = "") -> None:
    _call("mount", bytes(source or Path("none")), bytes(target), kind.encode(), flags, data.encode())


def _call(name: str, *arguments: int | bytes) -> None:
    """A function of the C library that returns nought or sets errno. Raises OSError."""
    library = ctypes.CDLL(None, use_errno=True)
    wide = [ctypes.c_ulong(each) if isinstance(each, int) else each for each in arguments]
    if not hasattr(library, name) or getattr(library, name)(*wide) != 0:
        number = ctypes.get_errno()
        raise OSError(number, f"{name}: {os.strerror(number)}")
