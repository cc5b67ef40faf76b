"""What `soakd doctor` says of each plugin of the configuration: what it gives, and whether it answers."""

from __future__ import annotations

from time import perf_counter
from typing import TYPE_CHECKING

from soakd.errors import PluginError
from soakd.sensors.plugin import PluginSource
from soakd.sensors.sampler import read_safely
from soakd.service.check import Check
from soakd.service.plugins import classes_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from soakd.model.configuration import Plugin

_MEND = "every run that needs it is refused: mend the plugin, or take it out of soakd.toml"


def plugin_sensors(sources: Iterable[object]) -> Iterator[Check]:
    for source in sources:
        if isinstance(source, PluginSource):
            yield _answered(source)


def plugin_workloads(plugins: Iterable[Plugin]) -> Iterator[Check]:
    for plugin in plugins:
        if plugin.kind == "workload":
            yield _offered(plugin)


def _answered(source: PluginSource) -> Check:
    if source.trouble is not None:
        text = source.trouble.partition(": ")[2]
        return Check(name=source.name, state="bad", text=text, remedy=_MEND.replace(" that needs it", ""))
    begun_s = perf_counter()
    values, gaps = read_safely(source)
    took_ms = (perf_counter() - begun_s) * 1e3
    count = len(source.channels())
    text = f"{len(values)} of {count} channels answer, in {took_ms:.1f} ms"
    silent = "; ".join(dict.fromkeys(gaps.values()))
    return Check(
        name=source.name,
        state="good" if len(values) == count else "weak",
        text=f"{text}; {silent}" if silent else text,
        remedy="connect what it reads, or see its options in soakd.toml" if silent else "",
    )


def _offered(plugin: Plugin) -> Check:
    name = plugin.plug.label
    try:
        here = classes_of([plugin])[name]
    except PluginError as error:
        return Check(name=name, state="bad", text=error.message.partition(": ")[2], remedy=error.hint or _MEND)
    if not here:
        return Check(name=name, state="bad", text="a workload in no class that this core has", remedy=_MEND)
    return Check(name=name, state="good", text=f"a workload, in {', '.join(here)}; it is proved when a run begins")
