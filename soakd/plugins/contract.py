"""What a sensors plugin has to keep to. Checked where it answers, and once more where its answer arrives."""

from __future__ import annotations

import math
from itertools import islice
from numbers import Real
from typing import TYPE_CHECKING, Any, Final

from soakd.model.channels import Channel, Role

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

MOST_CHANNELS: Final = 64
LONGEST_NAME: Final = 80
LONGEST_REASON: Final = 200
SILENT: Final = "the plugin did not say"
OWN_ROLES: Final = frozenset(
    {Role.PROBED_CLOCK, Role.CORE_LOAD, Role.STOLEN_TIME, Role.MEMORY_AVAILABLE, Role.SWAP_TRAFFIC}
)
"""What soakd measures itself and judges by."""


class Broken(Exception):  # noqa: N818 - a verdict on somebody else's answer
    """How a plugin breaks its contract, in one line."""


def checked_channels(found: Any) -> list[Channel]:
    """The channels as the plugin names them. Raises Broken; whatever else the plugin's own objects raise passes."""
    channels = list(islice(found, MOST_CHANNELS + 1))
    if not channels:
        raise Broken("it has no channels")
    if len(channels) > MOST_CHANNELS:
        raise Broken(f"it has more than {MOST_CHANNELS} channels")
    checked = [_checked(each) for each in channels]
    names = [channel.name for channel in checked]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise Broken(f"two channels are called {twice!r}")
    return checked


def _checked(found: Any) -> Channel:
    if not isinstance(found, Channel):
        raise Broken(f"a channel is a soakd.api.Channel, and not of type {_kind(found)}")
    name, critical = found.name, found.critical
    if not isinstance(name, str) or not _readable(name) or len(name) > LONGEST_NAME:
        raise Broken(f"a channel's name is 1 to {LONGEST_NAME} printable characters, and not {_shown(name)}")
    try:
        role = Role(found.role)
    except ValueError:
        raise Broken(f"channel {name!r}: there is no role {_shown(found.role)}") from None
    if role in OWN_ROLES:
        raise Broken(f"channel {name!r}: {role} is measured by soakd itself")
    if critical is not None and (critical := _finite(critical)) is None:
        raise Broken(f"channel {name!r}: its critical value is no finite number")
    return Channel(name=name, role=role, critical=critical)


def checked_answer(answer: Any, names: Collection[str]) -> tuple[dict[str, float], dict[str, str]]:
    """A finite number or a reason for each of the names. Raises Broken where the answer as a whole is none."""
    if not isinstance(answer, tuple | list) or len(answer) != 2:
        raise Broken(f"an answer is two tables, of values and of gaps, and not of type {_kind(answer)}")
    values, gaps = answer
    if not isinstance(values, dict) or not isinstance(gaps, dict):
        raise Broken(f"an answer is two tables, of values and of gaps, and not {_kind(values)} and {_kind(gaps)}")
    sound: dict[str, float] = {}
    said: dict[str, str] = {}
    for name in names:
        if name in values:
            number = _finite(values[name])
            if number is not None:
                sound[name] = number
            else:
                said[name] = f"rubbish: {_shown(values[name])} is no finite number"
        else:
            said[name] = reason(gaps.get(name, SILENT))
    return sound, said


def strangers(answer: tuple[dict[Any, Any], dict[Any, Any]], names: Collection[str]) -> Iterator[str]:
    """What an answer speaks of besides the channels that there are."""
    return (_shown(name) for part in answer for name in part if name not in names)


def checked_remarks(found: Any, names: Collection[str]) -> dict[str, str]:
    """Of the channels that there are; all else is dropped."""
    return {name: reason(found[name]) for name in names if name in found} if isinstance(found, dict) else {}


def reason(text: Any) -> str:
    """In printable characters and of a length that can be kept."""
    if not isinstance(text, str):
        return f"rubbish: the reason is of type {_kind(text)}"
    words = " ".join("".join(char if char.isprintable() else " " for char in text[: 4 * LONGEST_REASON]).split())
    return words[:LONGEST_REASON] or SILENT


def _finite(value: Any) -> float | None:
    """A number as a float; None for yes and no, for what is no number, and for what is not finite."""
    if isinstance(value, bool) or not isinstance(value, Real):
        return None
    try:
        number = float(value)
    except Exception:  # noqa: BLE001 - a number of somebody else's make
        return None
    return number if math.isfinite(number) else None


def _readable(name: str) -> bool:
    return bool(name) and name.isprintable() and name == " ".join(name.split())


def _kind(value: Any) -> str:
    return type(value).__name__


def _shown(value: Any) -> str:
    """Short, whatever it is."""
    if isinstance(value, str):
        return ascii(value[:LONGEST_NAME])[:LONGEST_NAME]
    return float.__repr__(value) if isinstance(value, float) else f"something of type {_kind(value)}"
