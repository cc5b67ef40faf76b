"""Plugins of the configuration: started, asked what they are, and what is wrong with them.

None of their code ever runs in a process that guards, keeps the journal or talks to a person.
"""

from __future__ import annotations

import json
import time
from typing import TYPE_CHECKING, Final

from soakd.errors import PluginError
from soakd.plugins.contract import reason
from soakd.plugins.workloads import Described
from soakd.sensors.plugin import START_LIMIT_S, PluginSource
from soakd.sensors.plugin_link import Link, Lost
from soakd.sensors.plugin_wire import first_line, hiding
from soakd.workloads.classes import CLASSES, available

if TYPE_CHECKING:
    from collections.abc import Iterable

    from soakd.model.configuration import Plugin
    from soakd.model.plan import Plan

DEFAULT_ANSWER_S: Final = 0.5
DEFAULT_MEMORY_MIB: Final = 256.0
_TO_DESCRIBE_MIB: Final = 4096.0
"""A workload is only looked at here; libraries that it loads by then have to fit."""


def sensors_of(plugins: Iterable[Plugin]) -> list[PluginSource]:
    """All that give sensors, each with its process on its way; nobody is waited for yet."""
    return [
        PluginSource(
            plugin.plug,
            answer_s=plugin.answer_s or DEFAULT_ANSWER_S,
            memory_mib=plugin.memory_mib or DEFAULT_MEMORY_MIB,
        )
        for plugin in plugins
        if plugin.kind == "sensors"
    ]


def troubles(sources: Iterable[object]) -> list[str]:
    """One line for each plugin among the sources that cannot be used."""
    plugged = [source for source in sources if isinstance(source, PluginSource)]
    return [source.trouble for source in plugged if source.trouble is not None]


def refuse_troubled(sources: Iterable[object]) -> None:
    """Raises PluginError for the first of them."""
    for trouble in troubles(sources):
        raise PluginError(
            f"{trouble}; nothing was started",
            hint="mend the plugin, or take it out of soakd.toml: what it was to watch would go unwatched",
        )


def workloads_in(plan: Plan, plugins: Iterable[Plugin]) -> list[Plugin]:
    """Those plugins whose workload the plan asks for."""
    asked = {stage.workload for stage in plan.stages}
    return [plugin for plugin in plugins if plugin.kind == "workload" and plugin.plug.label in asked]


def described(plugin: Plugin) -> Described:
    """What a workload plugin says of itself, in the classes that this core has. Raises PluginError, which names it."""
    try:
        said = json.loads(_first_words(plugin))
    except ValueError as error:
        raise PluginError(f"plugin {plugin.name}: it says rubbish of itself") from error
    except Lost as lost:
        raise PluginError(f"plugin {plugin.name}: {hiding(plugin.options)(str(lost))}") from lost
    if "refused" in said:
        raise PluginError(f"plugin {plugin.name}: {hiding(plugin.options)(reason(said['refused']))}")
    words = Described(**{**said, "classes": tuple(said["classes"])})
    unknown = [name for name in words.classes if name not in CLASSES]
    if unknown:
        raise PluginError(
            f"plugin {plugin.name}: there is no instruction class {unknown[0]!r}",
            hint=f"there are: {', '.join(CLASSES)}; what is not made for one is `scalar`",
        )
    return words


def classes_of(plugins: Iterable[Plugin]) -> dict[str, tuple[str, ...]]:
    """Workload ("plugin/NAME") to the instruction classes that this core has for it. Raises PluginError."""
    here = available()
    return {
        plugin.plug.label: tuple(name for name in here if name in described(plugin).classes)
        for plugin in plugins
        if plugin.kind == "workload"
    }


def unasked(plugins: Iterable[Plugin]) -> dict[str, tuple[str, ...]]:
    """The same without asking anybody: every class that this core has. What is true is seen when a run is drafted."""
    here = available()
    return {plugin.plug.label: here for plugin in plugins if plugin.kind == "workload"}


def _first_words(plugin: Plugin) -> bytes:
    link = Link(first_line(plugin.plug, _TO_DESCRIBE_MIB))
    try:
        line = link.line(time.perf_counter() + START_LIMIT_S)
    finally:
        link.close()
    if line is None:
        raise Lost(f"it has not said what its workload is within {START_LIMIT_S:g} s")
    return line
