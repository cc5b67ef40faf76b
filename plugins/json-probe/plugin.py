"""Numbers out of a JSON document behind an HTTP address: one request a reading, any number of channels.

Options: `url` (http or https), `channels` (name to `path`, `role` and, if needed, `scale`), `headers` (a table, for a
token say), `timeout-s` (seconds for the whole answer, 0.4). A path is keys and list places joined by dots, such as
"loop.0.temp".

No redirect is followed, no proxy is asked, and no more than 256 KiB are read.
"""

from __future__ import annotations

import json
from http.client import OK, HTTPException
from time import perf_counter
from typing import Any
from urllib.request import HTTPHandler, HTTPSHandler, OpenerDirector, Request

from soakd.api import Channel, Role, SoakdError

MOST_BYTES = 256 * 1024
_CHUNK = 16 * 1024
_OPTIONS = {"url", "channels", "headers", "timeout-s"}


class _Gap(Exception):  # noqa: N818 - a reason on its way
    """Why there is no number."""


class JsonProbe:
    """One address."""

    def __init__(self, options: dict[str, Any]) -> None:
        """Raises SoakdError for options that cannot be meant; a server that does not answer now is a gap."""
        unknown = options.keys() - _OPTIONS
        if unknown:
            raise SoakdError(f"options are url, channels, headers and timeout-s; not {', '.join(sorted(unknown))}")
        url = options.get("url")
        if not isinstance(url, str) or not url.startswith(("http://", "https://")):
            raise SoakdError("url: must begin with http:// or https://")
        self._request = Request(url, headers={"Accept": "application/json", **options.get("headers", {})})  # noqa: S310
        self._timeout_s = float(options.get("timeout-s", 0.4))
        self._wanted = {str(name): _wanted(name, said) for name, said in dict(options.get("channels", {})).items()}
        self._opener = OpenerDirector()
        for handler in (HTTPHandler(), HTTPSHandler()):
            self._opener.add_handler(handler)

    def channels(self) -> list[Channel]:
        return [Channel(name=name, role=role) for name, (_, role, _) in self._wanted.items()]

    def read(self) -> tuple[dict[str, float], dict[str, str]]:
        try:
            document = self._document()
        except _Gap as gap:
            return {}, dict.fromkeys(self._wanted, str(gap))
        values: dict[str, float] = {}
        gaps: dict[str, str] = {}
        for name, (path, _, scale) in self._wanted.items():
            try:
                values[name] = _number(document, path) * scale
            except _Gap as gap:
                gaps[name] = str(gap)
        return values, gaps

    def _document(self) -> Any:
        try:
            body = self._body()
        except (OSError, HTTPException, ValueError) as error:
            raise _Gap(f"no answer: {getattr(error, 'reason', None) or error or type(error).__name__}") from None
        try:
            return json.loads(body)
        except (ValueError, RecursionError):
            raise _Gap("the answer is no JSON") from None

    def _body(self) -> bytes:
        """All of it before the time is over: a server that drips must not hold the reading up."""
        until_s = perf_counter() + self._timeout_s
        answer = self._opener.open(self._request, timeout=self._timeout_s)
        if answer is None:
            raise _Gap("the address cannot be asked")
        with answer:
            if answer.status != OK:
                raise _Gap(f"the server answered {answer.status}")
            body = b""
            while chunk := answer.read1(_CHUNK):
                body += chunk
                if len(body) > MOST_BYTES:
                    raise _Gap(f"the answer is longer than {MOST_BYTES // 1024} KiB")
                if perf_counter() > until_s:
                    raise _Gap(f"the answer was not whole after {self._timeout_s:g} s")
            return body


def _wanted(name: Any, said: Any) -> tuple[list[str], Role, float]:
    """Path, role and scale of a channel."""
    try:
        return str(said["path"]).split("."), Role(said["role"]), float(said.get("scale", 1.0))
    except (TypeError, KeyError, AttributeError):
        raise SoakdError(f"channels: {name} needs a path and a role") from None
    except ValueError as error:
        raise SoakdError(f"channels: {name}: {error}") from None


def _number(document: Any, path: list[str]) -> float:
    found = document
    for walked, key in enumerate(path):
        try:
            found = found[int(key)] if isinstance(found, list) else found[key]
        except (KeyError, IndexError, ValueError, TypeError):
            raise _Gap(f"the answer has no {'.'.join(path[: walked + 1])}") from None
    if isinstance(found, bool) or not isinstance(found, int | float):
        raise _Gap(f"{'.'.join(path)} is no number")
    try:
        return float(found)
    except OverflowError:
        raise _Gap(f"{'.'.join(path)} is no finite number") from None


def sensors(options: dict[str, Any]) -> JsonProbe:
    return JsonProbe(options)
