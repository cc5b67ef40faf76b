"""The sockets: a Unix socket that only its owner and one group can open, and a loopback port if that is wanted."""

from __future__ import annotations

import os
import socket
import stat
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from soakd.errors import ConfigError, NotPermittedError, RefusedError, SoakdError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.model.configuration import Api

_BACKLOG = 128
SOCKET_NAME = "soakd.sock"


def socket_path(api: Api, home: Path) -> Path:
    return Path(api.socket) if api.socket else home / SOCKET_NAME


@contextmanager
def listening(api: Api, home: Path, group: int | None) -> Iterator[list[socket.socket]]:
    """Every socket that the configuration names, bound and listening. Raises SoakdError."""
    with ExitStack() as stack:
        sockets = [stack.enter_context(_unix(socket_path(api, home), home, group))]
        if api.tcp is not None:
            sockets.append(stack.enter_context(_tcp(api.tcp)))
        yield sockets


@contextmanager
def _unix(path: Path, home: Path, group: int | None) -> Iterator[socket.socket]:
    channel = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
    try:
        _prepare_folder(path.parent, home, group)
        _clear(path)
        mask = os.umask(0o177)
        try:
            channel.bind(str(path))
        finally:
            os.umask(mask)
        made = path.lstat()
        if group is not None:
            os.chown(path, -1, group)
            path.chmod(0o660)
        channel.listen(_BACKLOG)
    except OSError as error:
        channel.close()
        raise _refusal(str(path), error) from error
    except SoakdError:
        channel.close()
        raise
    try:
        yield channel
    finally:
        channel.close()
        if path.exists() and path.lstat().st_ino == made.st_ino:
            path.unlink()


def _prepare_folder(folder: Path, home: Path, group: int | None) -> None:
    """Our own folder is open to the group and to nobody else; another is left as it is, if it is safe."""
    mode = 0o700 if group is None else 0o750
    try:
        folder.mkdir(mode=0o700, parents=True)
        made = True
    except FileExistsError:
        made = False
    if made or folder.samefile(home):
        if group is not None:
            os.chown(folder, -1, group)
        folder.chmod(mode)
    elif folder.stat().st_mode & stat.S_IWOTH:
        raise RefusedError(
            f"{folder}: everybody may write here, so anybody could put a socket in our place",
            hint="choose another folder for `socket` under [api] in soakd.toml",
        )


def _clear(path: Path) -> None:
    """What a killed process has left behind is removed; what is alive, or no socket, is not."""
    try:
        kind = path.lstat().st_mode
    except FileNotFoundError:
        return
    if not stat.S_ISSOCK(kind):
        raise RefusedError(f"{path} is there already and is no socket", hint="move it away")
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.settimeout(2.0)
        try:
            probe.connect(str(path))
        except ConnectionRefusedError:
            path.unlink()
            return
        except TimeoutError:
            pass  # somebody holds it, even if it does not answer
    raise RefusedError(f"{path} is in use by another process", hint="is another `soakd serve` running?")


@contextmanager
def _tcp(address: str) -> Iterator[socket.socket]:
    host, _, port = address.rpartition(":")
    family = socket.AF_INET6 if host.startswith("[") else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM | socket.SOCK_CLOEXEC) as channel:
        channel.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            channel.bind((host.strip("[]"), int(port)))
            channel.listen(_BACKLOG)
        except OverflowError:
            raise ConfigError(
                file="soakd.toml", key="api: tcp", value=address, wanted="a port lies between 1 and 65535"
            ) from None
        except OSError as error:
            raise _refusal(address, error) from error
        yield channel


def _refusal(where: str, error: OSError) -> SoakdError:
    text = f"the API cannot listen at {where}: {error.strerror or error}"
    if isinstance(error, PermissionError):
        return NotPermittedError(text, hint="see [api] in soakd.toml")
    return RefusedError(text, hint="see [api] in soakd.toml")
