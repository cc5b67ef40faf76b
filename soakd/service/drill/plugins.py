"""Plugins that hang, for drills: code in a folder of its own, as somebody else might have written it."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from soakd.model.configuration import Plugin

if TYPE_CHECKING:
    from pathlib import Path

    from soakd.model.plug import PluginKind

HANGS: Final = "hang"
"""File at whose sight the sensors hang."""
_SENSORS: Final = """
import time
from pathlib import Path
from soakd.api import Channel, Role

class Probe:
    def __init__(self, hangs):
        self.hangs = hangs

    def channels(self):
        return [Channel(name="loop", role=Role.COOLANT_TEMPERATURE)]

    def read(self):
        while self.hangs.exists():
            time.sleep(1.0)
        return {"loop": 30.0}, {}

def sensors(options):
    return Probe(Path(options["hangs"]))
"""
_WORKLOAD: Final = """
import time
from soakd.api import Fault, Round

class Workload:
    loads = catches = misses = "nothing"
    classes = ("scalar",)
    digests = {}
    note = ""
    gathered = False

    def build(self, target):
        return self

    def selfcheck(self):
        pass

    def gather(self, workers):
        self.gathered = True

    def task(self, *, memory_bytes, beat, seat=0):
        while self.gathered:
            time.sleep(1.0)
        return self

    def round(self, target_s, beat, flip=None, gate=None):
        wrong = (Fault(where="the state", expected=0, actual=1),) if flip else ()
        return Round(operations=1, work_s=0.0, check_s=0.0, fault_count=len(wrong), faults=wrong)

def workload(options):
    return Workload()
"""
_CODE: Final = MappingProxyType({"sensors": _SENSORS, "workload": _WORKLOAD})


def plugin(kind: PluginKind, folder: Path) -> Plugin:
    """Written under a drill's folder."""
    place = folder / "plugin"
    place.mkdir()
    (place / "plugin.py").write_text(_CODE[kind], encoding="utf-8")
    own = {"time-limit": "50 ms", "options": {"hangs": str(folder / HANGS)}} if kind == "sensors" else {}
    return Plugin.model_validate({"name": "drill", "kind": kind, "source": str(place), **own})
