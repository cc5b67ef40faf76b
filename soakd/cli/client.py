"""The daemon as a command sees it: requests over the Unix socket, and its refusals as our own errors."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Self

import typer

from soakd.clock import SystemClock
from soakd.errors import (
    EXIT_CONFIG,
    EXIT_FAIL,
    EXIT_NOT_PERMITTED,
    EXIT_STORE,
    EXIT_UNREACHABLE,
    EXIT_USAGE,
    SoakdError,
    UnreachableError,
)

if TYPE_CHECKING:
    import httpx

Socket = Annotated[
    Path | None,
    typer.Option(
        "--socket",
        envvar="SOAKD_SOCKET",
        help="Where the daemon listens; soakd.sock in the state folder if not given.",
    ),
]
EXIT_CODES = {
    "usage": EXIT_USAGE,
    "state": EXIT_USAGE,
    "unsupported": EXIT_USAGE,
    "refused": EXIT_CONFIG,
    "config": EXIT_CONFIG,
    "permission": EXIT_NOT_PERMITTED,
    "store": EXIT_STORE,
    "unreachable": EXIT_UNREACHABLE,
}
TOO_MANY = 429
_MOST_TURNS = 10
"""A script that asks faster than it may is slowed down, and told no only when that does not help."""
_PATIENCE_S = 15.0
_SILENCE_S = 40.0
"""A stream says something at least every 15 s."""


class DaemonSaidNoError(SoakdError):
    """The daemon's own words, with the exit code that they mean."""

    def __init__(self, code: str, message: str, *, hint: str) -> None:
        super().__init__(message, hint=hint)
        self.code = code
        self.exit_code = EXIT_CODES.get(code, EXIT_FAIL)


@dataclass(frozen=True, slots=True)
class Told:
    """One event of the stream."""

    kind: str
    data: dict[str, Any]
    number: str | None


class Client:
    """Every method raises UnreachableError when no daemon answers, and the daemon's refusals as errors."""

    def __init__(self, socket: Path | None) -> None:
        import httpx

        self._path = socket or default_socket()
        self._http = httpx.Client(
            transport=httpx.HTTPTransport(uds=str(self._path)),
            base_url="http://soakd/api/v1",
            timeout=_PATIENCE_S,
            trust_env=False,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._http.close()

    def get(self, path: str, **query: int) -> Any:
        return self._ask("GET", path, params=query)

    def post(self, path: str, body: dict[str, Any] | None = None) -> Any:
        return self._ask("POST", path, json=body or {})

    @contextmanager
    def events(self, after: str | None = None) -> Iterator[Iterator[Told]]:
        """The stream of events, from where an earlier one broke off if `after` says so."""
        headers = {} if after is None else {"Last-Event-ID": after}
        with self._reaching(), self._http.stream("GET", "/events", headers=headers, timeout=_SILENCE_S) as answer:
            if answer.is_error:
                answer.read()
                raise _refusal(answer)
            yield _told(answer.iter_lines())

    def _ask(self, method: str, path: str, **parts: Any) -> Any:
        answer = self._send(method, path, **parts)
        turns = 1
        while answer.status_code == TOO_MANY and turns < _MOST_TURNS:
            SystemClock().sleep(min(float(answer.headers.get("Retry-After", 1)), _PATIENCE_S))
            answer = self._send(method, path, **parts)
            turns += 1
        if answer.is_error:
            raise _refusal(answer)
        return answer.json()

    def _send(self, method: str, path: str, **parts: Any) -> httpx.Response:
        with self._reaching():
            return self._http.request(method, path, **parts)

    @contextmanager
    def _reaching(self) -> Iterator[None]:
        import httpx

        try:
            yield
        except httpx.TimeoutException:
            raise UnreachableError(f"the daemon at {self._path} does not answer", hint="look at its log") from None
        except httpx.TransportError as error:
            if isinstance(error.__context__, PermissionError) or "Permission denied" in str(error):
                raise DaemonSaidNoError(
                    "permission",
                    f"{self._path}: permission denied",
                    hint="the daemon's own user and members of `group` under [api] in soakd.toml may use it",
                ) from None
            raise UnreachableError(
                f"no daemon answers at {self._path}", hint="`soakd serve` starts one; or give --socket"
            ) from None


def default_socket() -> Path:
    """Where the daemon of this state folder listens."""
    from soakd.service.home import default_folder

    return default_folder() / "soakd.sock"


def _refusal(answer: httpx.Response) -> DaemonSaidNoError:
    try:
        said = answer.json()
        return DaemonSaidNoError(said["code"], said["detail"], hint=said["hint"])
    except (ValueError, KeyError, TypeError):
        return DaemonSaidNoError("bug", f"the daemon answered {answer.status_code}", hint="look at its log")


def _told(lines: Iterator[str]) -> Iterator[Told]:
    """Fields gather until an empty line ends the event."""
    fields: dict[str, str] = {}
    for line in lines:
        if line:
            name, _, value = line.partition(":")
            fields[name] = value.removeprefix(" ")
        elif "data" in fields:
            yield Told(fields.get("event", "message"), json.loads(fields["data"]), fields.get("id"))
            fields = {}
        else:
            fields = {}
