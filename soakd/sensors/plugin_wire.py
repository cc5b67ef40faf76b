"""What goes to a plugin's process and what comes back, one JSON line each; nothing that comes back is trusted.

Out: what is plugged in, then one number a line. In: the channels, then one answer for each number.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any, Final

from soakd.model.channels import Channel, Role
from soakd.plugins.contract import Broken, checked_answer, checked_channels, checked_remarks, reason
from soakd.rules.telling import pieces_of

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator, Mapping

    from soakd.model.plug import Plug

_SHORTEST_SECRET: Final = 4
_SHORTEST_PIECE: Final = 6
_SHOWN: Final = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """One answer that can be used: a number or a reason for each channel, by the plugin's own names."""

    values: dict[str, float] = field(default_factory=dict)
    gaps: dict[str, str] = field(default_factory=dict)
    remarks: dict[str, str] = field(default_factory=dict)
    ending: str = ""
    """Why the process ends after this."""


def first_line(plug: Plug, memory_mib: float) -> bytes:
    """What its process is told before anything else."""
    return json.dumps({"plug": asdict(plug), "memory_mib": memory_mib}).encode() + b"\n"


def registered(line: bytes) -> list[Channel]:
    """The channels that the plugin says it has. Raises Broken."""
    said = _table(line)
    if "refused" in said:
        raise Broken(reason(said["refused"]))
    if not isinstance(said.get("channels"), list):
        raise Broken("rubbish where its channels belong")
    return checked_channels(_channel(each) for each in said["channels"])


def understood(line: bytes, number: int, names: Collection[str]) -> Answer | str | None:
    """The answer to a question, or why it is none; None for the answer to another question."""
    try:
        said = _table(line)
        if isinstance(said.get("n"), int) and said["n"] != number:
            return None
        if "ending" in said:
            return Answer(ending=reason(said["ending"]))
        values, gaps = checked_answer([said.get("values"), said.get("gaps")], names)
    except Broken as broken:
        return f"rubbish: {broken}"
    return Answer(values=values, gaps=gaps, remarks=checked_remarks(said.get("remarks"), names))


def hiding(options: Mapping[str, Any]) -> Callable[[str], str]:
    """Takes every text of the options out of a text, and every piece of an address: one may be a secret.

    Its key stands there instead: "no route to <url>".
    """
    found: dict[str, str] = {}
    for key, text in _texts(options, ""):
        pieces = pieces_of(text, shortest=_SHORTEST_PIECE) if "://" in text else {text}
        found |= {piece: f"<{key}>" for piece in pieces if len(piece) >= _SHORTEST_SECRET}
    longest_first = sorted(found.items(), key=lambda each: len(each[0]), reverse=True)

    def clean(text: str) -> str:
        for secret, mark in longest_first:
            text = text.replace(secret, mark)
        return text

    return clean


def _table(line: bytes) -> dict[str, Any]:
    try:
        said = json.loads(line)
    except (ValueError, RecursionError):
        raise Broken(f"not JSON: {line[:_SHOWN].decode(errors='replace')!a}") from None
    if not isinstance(said, dict):
        raise Broken("JSON, but no table")
    return said


def _channel(said: Any) -> Channel:
    """As it was written; whether it is one is checked afterwards. Raises Broken."""
    if not isinstance(said, dict) or not isinstance(said.get("role"), str) or said["role"] not in set(Role):
        raise Broken("rubbish where its channels belong")
    return Channel(name=said.get("name"), role=Role(said["role"]), critical=said.get("critical"))  # type: ignore[arg-type]


def _texts(value: Any, key: str) -> Iterator[tuple[str, str]]:
    if isinstance(value, dict):
        for name, each in value.items():
            yield from _texts(each, str(name))
    elif isinstance(value, list):
        for each in value:
            yield from _texts(each, key)
    elif isinstance(value, str):
        yield key, value
