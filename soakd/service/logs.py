"""The daemon's log: JSON lines for the service manager, readable lines in a terminal, always on standard error.

`bind` puts the run and the stage on every line that follows in the same thread, wherever it is written. Addresses,
tokens and passwords never get into a line, whoever writes it.
"""

from __future__ import annotations

import logging
import os
import re
import sys
from typing import TYPE_CHECKING, Literal, TextIO

import structlog
from structlog.contextvars import bind_contextvars, merge_contextvars, unbind_contextvars

from soakd.rules.telling import pieces_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, MutableMapping
    from typing import Any

Level = Literal["debug", "info", "warning", "error"]
_LEVELS = {"debug": logging.DEBUG, "info": logging.INFO, "warning": logging.WARNING, "error": logging.ERROR}
HIDDEN = "***"
_SHORTEST_PIECE = 6
"""Shorter pieces of an address are words such as `mail`, and hiding those would spoil every line."""
SECRET_KEYS = frozenset({"url", "address", "token", "password", "secret", "authorization", "cookie", "options"})
"""What stands under them is not shown; a plugin's options may hold anything."""
_ADDRESS = re.compile(r"\b[a-z][a-z0-9+.-]*://[^\s\"'<>]+", re.IGNORECASE)
_BEARER = re.compile(r"\b(bearer|basic)\s+[\w.~+/=-]+", re.IGNORECASE)
_ASSIGNED = re.compile(r"\b(token|password|passwd|secret|apikey|api_key)(\s*[=:]\s*)[^\s,;\"']+", re.IGNORECASE)


def configure(
    *, level: Level = "info", stream: TextIO | None = None, for_people: bool | None = None, secrets: Iterable[str] = ()
) -> None:
    """Set up once, before the first line. `secrets` are tokens and targets' addresses; pieces are hidden too."""
    out = stream or sys.stderr
    readable = _for_people(out, os.environ) if for_people is None else for_people
    hide = _Hide(secrets)
    last: list[Any] = (
        [structlog.dev.ConsoleRenderer(colors=out.isatty())]
        if readable
        else [structlog.processors.JSONRenderer(ensure_ascii=False, default=str)]
    )
    shared: list[Any] = [
        merge_contextvars,
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.StackInfoRenderer(),
        structlog.processors.format_exc_info,
        hide,
    ]
    structlog.configure(
        processors=[*shared, *last],
        wrapper_class=structlog.make_filtering_bound_logger(_LEVELS[level]),
        logger_factory=structlog.WriteLoggerFactory(out),
        cache_logger_on_first_use=False,
    )
    _take_over_libraries(shared, last, out, _LEVELS[level])


def bind(*, run_id: str | None, stage: int | None = None) -> None:
    """Every line from here on carries them; without a run, neither. Stages count from one, as people do."""
    unbind_contextvars("run", "stage")
    if run_id is not None:
        bind_contextvars(run=run_id)
        if stage is not None:
            bind_contextvars(stage=stage + 1)


def hidden(text: str) -> str:
    """Without addresses, credentials and assigned secrets."""
    text = _ADDRESS.sub(HIDDEN, text)
    text = _BEARER.sub(lambda found: f"{found[1]} {HIDDEN}", text)
    return _ASSIGNED.sub(lambda found: f"{found[1]}{found[2]}{HIDDEN}", text)


class _Hide:
    """A processor that takes secrets out of everything that a line holds, nested values included."""

    def __init__(self, secrets: Iterable[str]) -> None:
        pieces = {piece for secret in secrets for piece in pieces_of(secret, shortest=_SHORTEST_PIECE)}
        self._secrets = sorted(pieces, key=len, reverse=True)

    def __call__(self, _logger: object, _method: str, event: MutableMapping[str, Any]) -> Mapping[str, Any]:
        return {key: self._clean(key, value) for key, value in event.items()}

    def _clean(self, key: str, value: object) -> object:
        if key.lower() in SECRET_KEYS:
            return HIDDEN
        if isinstance(value, dict):
            return {k: self._clean(str(k), v) for k, v in value.items()}
        if isinstance(value, list | tuple | set | frozenset):
            return [self._clean(key, each) for each in value]
        if value is None or isinstance(value, bool | int | float):
            return value
        text = str(value)
        for secret in self._secrets:
            text = text.replace(secret, HIDDEN)
        return hidden(text)


def _for_people(out: TextIO, environment: Mapping[str, str]) -> bool:
    """The service manager says so itself where standard error goes to its journal (systemd.exec(5))."""
    return out.isatty() and "JOURNAL_STREAM" not in environment


def _take_over_libraries(shared: list[Any], last: list[Any], out: TextIO, level: int) -> None:
    """What libraries log through the standard library comes out in the same shape."""
    handler = logging.StreamHandler(out)
    handler.setFormatter(structlog.stdlib.ProcessorFormatter(foreign_pre_chain=shared, processors=_without_meta(last)))
    root = logging.getLogger()
    root.handlers = [handler]
    root.setLevel(max(level, logging.WARNING))


def _without_meta(last: list[Any]) -> list[Any]:
    return [structlog.stdlib.ProcessorFormatter.remove_processors_meta, *last]
