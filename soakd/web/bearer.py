"""Tokens for TCP as the API sees them: a file of hashes that only the daemon's user can read."""

from __future__ import annotations

import hashlib
import hmac
import logging
import os
import stat
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field, ValidationError

from soakd.model.base import Value

if TYPE_CHECKING:
    from pathlib import Path

Role = Literal["look", "operate"]
"""`look` may read everything; `operate` may also change the queue and stop a run."""
TokenName = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9._-]{0,39}$")]
_LOG = logging.getLogger(__name__)


class Token(Value):
    """One token. What its holder presents is not kept, only its SHA-256."""

    name: TokenName
    role: Role
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    created_utc: str


class TokenList(Value):
    """tokens.json."""

    version: Annotated[int, Field(ge=1, le=1)] = 1
    tokens: tuple[Token, ...] = ()


def digest(secret: str) -> str:
    """A token is 256 random bits, so a plain hash says nothing about it."""
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()


class TokenBook:
    """The file as it is now: a token that is removed is refused from the next request on."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._seen: tuple[int, int, int, int] | None = None
        self._tokens: tuple[Token, ...] = ()

    def holder(self, secret: str) -> Token | None:
        """Whose token this is. Takes the same time wherever the first difference is."""
        presented = digest(secret)
        found = [token for token in self._now() if hmac.compare_digest(token.sha256, presented)]
        return found[0] if found else None

    def has(self, name: str) -> bool:
        return any(token.name == name for token in self._now())

    def _now(self) -> tuple[Token, ...]:
        """Read again when the file has changed; nobody is let in by a file that others could have written."""
        try:
            state = self._path.stat()
        except FileNotFoundError:
            self._seen, self._tokens = None, ()
            return ()
        seen = (state.st_ino, state.st_mtime_ns, state.st_size, state.st_mode)
        if seen != self._seen:
            self._seen, self._tokens = seen, self._read(state)
        return self._tokens

    def _read(self, state: os.stat_result) -> tuple[Token, ...]:
        if stat.S_IMODE(state.st_mode) & 0o077 or state.st_uid != os.geteuid():
            _LOG.error(
                "%s: must belong to the daemon's user and be closed to others (0600); no token is taken", self._path
            )
            return ()
        try:
            return TokenList.model_validate_json(self._path.read_bytes()).tokens
        except (OSError, ValidationError) as error:
            _LOG.error("%s cannot be read, so no token is taken: %s", self._path, error)
            return ()
