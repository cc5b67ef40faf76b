"""Trials under the trial that each was made from: a tree, told from the top as lines with a depth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.model.trial import Trial


@dataclass(frozen=True, slots=True, kw_only=True)
class Branch:
    """One trial in the tree."""

    trial: Trial
    depth: int
    """How many trials are above it; nought, too, where the one that it was made from is not in the tree."""


def lineage(trials: Sequence[Trial]) -> list[Branch]:
    """Each trial under the one that it was made from, where that is among these.

    Of siblings the one stands first below which the newest run was. Where names lead round in a circle, the trial with
    the oldest run of it is taken to be the first.
    """
    by_name = {trial.name: trial for trial in trials if trial.name is not None}
    parents = {name: trial.parent for name, trial in by_name.items() if trial.parent in by_name}
    _break_circles(parents, by_name)
    below: dict[str | None, list[Trial]] = {}
    for trial in trials:
        below.setdefault(parents.get(trial.name or ""), []).append(trial)
    newest = _newest(by_name, parents)
    found: list[Branch] = []
    waiting = [(trial, 0) for trial in _ranked(below.get(None, []), newest)]
    while waiting:
        trial, depth = waiting.pop()
        found.append(Branch(trial=trial, depth=depth))
        if trial.name is not None:
            waiting += [(child, depth + 1) for child in _ranked(below.get(trial.name, []), newest)]
    return found


def _break_circles(parents: dict[str, str], by_name: dict[str, Trial]) -> None:
    safe: set[str] = set()
    for name in list(by_name):
        way: list[str] = []
        at: str | None = name
        while at is not None and at not in safe and at not in way:
            way.append(at)
            at = parents.get(at)
        if at in way:
            first = min(way[way.index(at) :], key=lambda each: (by_name[each].newest_utc, each))
            del parents[first]
        safe.update(way)


def _newest(by_name: dict[str, Trial], parents: dict[str, str]) -> dict[str | None, str]:
    """Of each trial and all below it, the end of the newest run."""
    newest: dict[str | None, str] = {name: trial.newest_utc for name, trial in by_name.items()}
    for name, trial in by_name.items():
        at = parents.get(name)
        while at is not None and newest[at] < trial.newest_utc:
            newest[at] = trial.newest_utc
            at = parents.get(at)
    return newest


def _ranked(trials: list[Trial], newest: dict[str | None, str]) -> list[Trial]:
    """The newest last, for it is taken first."""
    return sorted(trials, key=lambda trial: newest.get(trial.name, trial.newest_utc))
