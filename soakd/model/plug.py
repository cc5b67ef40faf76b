"""What is plugged in: somebody's sensors or somebody's workload, as those processes get to know it that load it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

PluginKind = Literal["sensors", "workload"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plug:
    """One plugin of the configuration."""

    name: str
    """Yours to choose; its channels and its workload are called after it."""
    kind: PluginKind
    source: str
    """The name of an entry point, or the absolute path of a folder with a plugin.py."""
    options: dict[str, Any]
    """For the plugin alone; may hold a secret."""

    @property
    def label(self) -> str:
        """What its workload is called, and how the names of its channels begin; no source of our own begins so."""
        return f"plugin/{self.name}"
