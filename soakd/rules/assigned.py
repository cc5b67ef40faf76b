"""Roles that the tuner gives to channels, because only he knows what a header on the board is connected to."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from soakd.errors import RefusedError
from soakd.model.channels import ROLE_DIMENSIONS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from soakd.model.channels import Channel, Role


def assigned(channels: Iterable[Channel], roles: Mapping[str, Role]) -> list[Channel]:
    """The channels, with the given role where one is given for their full name.

    Raises RefusedError for a role of another dimension: the reading would stand in the wrong unit.
    """
    return [_with_role(channel, roles.get(channel.name, channel.role)) for channel in channels]


def strangers(channels: Iterable[Channel], roles: Mapping[str, Role]) -> list[str]:
    """One line for each name that no channel of this bench has; a sensor may have gone, or the name is misspelt."""
    known = {channel.name for channel in channels}
    return [
        f"roles: {name} is no channel of this bench, so nothing is {role.value} by it; see `soakd sensors list`"
        for name, role in roles.items()
        if name not in known
    ]


def _with_role(channel: Channel, role: Role) -> Channel:
    measured, wanted = ROLE_DIMENSIONS[channel.role], ROLE_DIMENSIONS[role]
    if measured is not wanted:
        shown = f"in {measured.base}" if measured else "yes or no"
        raise RefusedError(
            f"roles: {channel.name} reads {shown} and cannot be {role.value}",
            hint=f"a {measured.name} can be {_alike(channel.role)}" if measured else "",
        )
    return replace(channel, role=role)


def _alike(role: Role) -> str:
    return ", ".join(other.value for other, dimension in ROLE_DIMENSIONS.items() if dimension is ROLE_DIMENSIONS[role])
