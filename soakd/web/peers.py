"""Who is calling: on the Unix socket the kernel says so, on TCP a token does. Nobody is trusted by default."""

from __future__ import annotations

import grp
import os
import socket
import struct
from dataclasses import dataclass
from http import HTTPStatus
from typing import TYPE_CHECKING, Any

from soakd.errors import RefusedError
from soakd.web.problems import ProblemError

if TYPE_CHECKING:
    from soakd.web.bearer import Role, TokenBook

_UCRED = struct.Struct("=iII")
_SO_PEERGROUPS = 59
"""asm-generic/socket.h, Linux 4.13; the standard library has no name for it."""
_MOST_OPTION_BYTES = 1024
"""The most that Python reads of a socket option: 256 groups."""


@dataclass(frozen=True, slots=True)
class Credentials:
    """What the kernel says of the process at the other end, as it was when it connected (unix(7), SO_PEERCRED)."""

    pid: int
    uid: int
    groups: frozenset[int]


@dataclass(frozen=True, slots=True)
class Caller:
    """Somebody who may be here."""

    name: str
    role: Role
    token: str | None = None
    """The token's name; None on the Unix socket."""
    owner: bool = False
    """Root or the daemon's own user: may have the daemon run a program, because it could do so anyway."""


def credentials(channel: socket.socket) -> Credentials:
    """Of the peer on a Unix socket. A caller in more than 256 groups counts as a member of its first one only."""
    pid, uid, gid = _UCRED.unpack(channel.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _UCRED.size))
    try:
        raw = channel.getsockopt(socket.SOL_SOCKET, _SO_PEERGROUPS, _MOST_OPTION_BYTES)
    except OSError:
        raw = b""
    return Credentials(pid, uid, frozenset({gid, *struct.unpack(f"={len(raw) // 4}I", raw)}))


def group_id(name: str | None) -> int | None:
    """Raises RefusedError for a group that this system does not know."""
    if name is None:
        return None
    try:
        return grp.getgrnam(name).gr_gid
    except KeyError:
        raise RefusedError(
            f'api: there is no group "{name}"', hint=f"`groupadd --system {name}`, or leave group out of soakd.toml"
        ) from None


class Doorkeeper:
    """Decides who a request is from. Raises ProblemError for everybody else."""

    def __init__(self, *, group: int | None, tokens: TokenBook) -> None:
        self._uids = frozenset({0, os.geteuid()})
        self._group = group
        self._tokens = tokens

    def caller(self, connection: dict[str, Any], authorization: list[str], kept: str | None = None) -> Caller:
        """`connection` is what the protocol knows of the line; without the kernel's word a token is needed, in the
        header or, `kept`, as a browser that has signed in sends it.
        """
        peer: Credentials | None = connection.get("credentials")
        if peer is not None:
            return self._by_user(peer)
        if not authorization and kept is not None:
            authorization = [f"Bearer {kept}"]
        return self._by_token(authorization)

    def still_welcome(self, caller: Caller) -> bool:
        """For streams, which outlive the check at their start."""
        return caller.token is None or self._tokens.has(caller.token)

    def _by_user(self, peer: Credentials) -> Caller:
        owner = peer.uid in self._uids
        if owner or (self._group is not None and self._group in peer.groups):
            return Caller(f"uid {peer.uid}", "operate", owner=owner)
        raise ProblemError(
            HTTPStatus.FORBIDDEN,
            "permission",
            f"user {peer.uid} may not use this socket",
            hint="root, the daemon's own user and members of `group` under [api] in soakd.toml may",
        )

    def _by_token(self, authorization: list[str]) -> Caller:
        scheme, _, secret = authorization[0].partition(" ") if len(authorization) == 1 else ("", "", "")
        token = self._tokens.holder(secret.strip()) if scheme.lower() == "bearer" else None
        if token is None:
            raise ProblemError(
                HTTPStatus.UNAUTHORIZED,
                "permission",
                "this needs a token that is known here" if authorization else "this needs a token",
                hint="`soakd token add NAME` makes one; send it as `Authorization: Bearer …`",
                headers={"WWW-Authenticate": 'Bearer realm="soakd"'},
            )
        return Caller(f"token {token.name}", token.role, token.name)
