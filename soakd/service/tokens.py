"""Making and removing the tokens that callers on TCP need. The API's process only reads the file."""

from __future__ import annotations

import fcntl
import os
import secrets
from contextlib import contextmanager
from typing import TYPE_CHECKING

from pydantic import ValidationError

from soakd.clock import utc_text
from soakd.errors import ConfigError, NotPermittedError, StoreError, UsageError
from soakd.service.home import put_whole
from soakd.web.bearer import Role, Token, TokenList, digest
from soakd.web.server import TOKENS_NAME

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.clock import Clock
    from soakd.service.home import Home

_SECRET_BYTES = 32


class TokenFile:
    """`tokens.json` in the state folder, 0600. All methods raise SoakdError."""

    def __init__(self, home: Home, clock: Clock) -> None:
        self._home = home
        self._path = home.folder / TOKENS_NAME
        self._clock = clock

    def all(self) -> tuple[Token, ...]:
        try:
            return TokenList.model_validate_json(self._path.read_bytes()).tokens
        except FileNotFoundError:
            return ()
        except OSError as error:
            raise _refusal(self._path, error) from error
        except ValidationError as error:
            raise ConfigError(
                file=str(self._path), key="", value="", wanted="no list of tokens; remove it and make new ones"
            ) from error

    def add(self, name: str, role: Role) -> str:
        """The new secret; only its hash is kept, so this is the one time that it can be read."""
        secret = secrets.token_urlsafe(_SECRET_BYTES)
        with self._lock():
            known = self.all()
            if any(token.name == name for token in known):
                raise UsageError(f"there is a token {name!r} already", hint=f"`soakd token remove {name}` first")
            try:
                token = Token(name=name, role=role, sha256=digest(secret), created_utc=utc_text(self._clock.wall()))
            except ValidationError:
                raise UsageError(
                    f"{name!r} is no name for a token", hint="up to 40 small letters, digits, dots, dashes"
                ) from None
            self._write((*known, token))
        return secret

    def remove(self, name: str) -> None:
        with self._lock():
            known = self.all()
            left = tuple(token for token in known if token.name != name)
            if len(left) == len(known):
                raise UsageError(f"no token {name!r}", hint="`soakd token list` shows what there is")
            self._write(left)

    @contextmanager
    def _lock(self) -> Iterator[None]:
        """One change at a time; the lock is the folder itself, and goes with the process."""
        self._home.make()
        try:
            folder = os.open(self._home.folder, os.O_RDONLY | os.O_DIRECTORY)
        except OSError as error:
            raise _refusal(self._home.folder, error) from error
        try:
            fcntl.flock(folder, fcntl.LOCK_EX)
            yield
        finally:
            os.close(folder)

    def _write(self, tokens: tuple[Token, ...]) -> None:
        try:
            put_whole(self._path, TokenList(tokens=tokens).model_dump_json(indent=2) + "\n")
        except OSError as error:
            raise _refusal(self._path, error) from error


def _refusal(path: object, error: OSError) -> NotPermittedError | StoreError:
    text = f"{path}: {(error.strerror or str(error)).lower()}"
    return NotPermittedError(text) if isinstance(error, PermissionError) else StoreError(text)
