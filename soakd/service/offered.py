"""The workloads that can be asked for on this bench: soakd's own kernels, and what plugins add."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from soakd.errors import PluginError
from soakd.service import bench
from soakd.service.plugins import described
from soakd.workloads.kinds import KINDS

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from soakd.model.configuration import Plugin

PLUGIN_UNIT: Final = "operations"


@dataclass(frozen=True, slots=True, kw_only=True)
class Offered:
    """One workload as the user sees it."""

    name: str
    default: bool
    """Whether its kind's name alone stands for it."""
    counts: str
    loads: str
    catches: str
    misses: str
    classes: tuple[str, ...]
    classes_here: tuple[str, ...]


def own() -> Iterator[Offered]:
    here = bench.classes()
    for kind in KINDS.values():
        for name, kernel in kind.kernels.items():
            yield Offered(
                name=f"{kind.name}/{name}",
                default=name == kind.default,
                counts=kind.unit,
                loads=kernel.loads,
                catches=kernel.catches,
                misses=kernel.misses,
                classes=kernel.classes,
                classes_here=here[f"{kind.name}/{name}"],
            )


def plugged(plugins: Iterable[Plugin]) -> Iterator[Offered | PluginError]:
    """What each workload plugin offers, or what is wrong with it."""
    for plugin in plugins:
        if plugin.kind == "workload":
            try:
                yield _plugged(plugin)
            except PluginError as error:
                yield error


def _plugged(plugin: Plugin) -> Offered:
    words = described(plugin)
    return Offered(
        name=plugin.plug.label,
        default=False,
        counts=PLUGIN_UNIT,
        loads=words.loads,
        catches=words.catches,
        misses=words.misses,
        classes=words.classes,
        classes_here=bench.classes([plugin])[plugin.plug.label],
    )
