"""Virtual benches for tests and benchmarks: the shipped one with changes, loads that never end, cores planted weak."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from scipy.stats import norm

from soakd.config.files import load, load_plan, load_sheet
from soakd.config.shipped import find
from soakd.model.plan import Limit, Plan, Stage
from soakd.model.virtual import VirtualBench
from soakd.virtual.bench import Bench
from soakd.virtual.shift import of_kind
from soakd.virtual.silicon import TRIES_PER_S
from soakd.virtual.supply import LoadKind

if TYPE_CHECKING:
    from pathlib import Path

CPU = "hwmon/lantern/CPU"
FOREVER_S = float("inf")


def lantern(**changes):
    """The shipped virtual bench; changes as they would stand in its file."""
    document = json.loads(shipped_bench().model_dump_json(by_alias=True, exclude_none=True))
    for key, value in changes.items():
        document[key] = {**document[key], **value} if isinstance(value, dict) else value
    return VirtualBench.model_validate_json(json.dumps(document))


def shipped_bench():
    return load(find("lantern", "benches"), VirtualBench)


def sheet():
    return load_sheet(find("lantern", "sheets"))


def overnight(tick_s=10.0):
    """The shipped night, on a coarser grid than its own, which is 1 s."""
    shipped = load_plan(find("overnight", "plans"))
    return shipped.model_copy(update={"guard": shipped.guard.model_copy(update={"tick_s": tick_s})})


def plan(*stages, above="90 °C", **guard):
    limits = (Limit(of="cpu-temperature", above=above),)
    return Plan(version=1, name="Trial", limits=limits, stages=stages or (stage(),), guard=guard or {})


def stage(**changes):
    return Stage(**{"name": "Heat", "workload": "vector", "duration_s": 600.0, **changes})


class Always:
    """The same cores loaded for ever, each for the same share of the time."""

    def __init__(self, cores, width=512, activity=1.0, share=1.0):
        self.cores, self.width, self.activity, self.share = tuple(cores), width, activity, share
        self.errors = {}

    @property
    def kind(self):
        return LoadKind(cores=self.cores, width=self.width, activity=self.activity)

    def edge_after(self, _):
        return FOREVER_S

    def shares(self, *_):
        return dict.fromkeys(self.cores, self.share)

    def endure(self, from_s, to_s, errors_per_s, _):
        for core, rate in errors_per_s.items():
            self.errors[core] = self.errors.get(core, 0.0) + rate * (to_s - from_s) * self.share


PLACES = {"hot": 600.0, "fast": 120.0}
"""Where a core can be planted weak, and its mean time between errors there, seconds of its load."""


def planted(place, core, seed):
    """The shipped bench with one core that errs at one place: all cores hot in 512 bits, or a clock that few reach.

    How much more it needs is worked out from its own lot, so that it errs there at that rate and nowhere else.
    """
    about = lantern()
    bench = Bench(about, sheet(), seed=seed)
    cores, width, limits = (
        (range(6), 512, {"above": "65 °C"}) if place == "hot" else ([core], 64, {"clock": "4850 MHz"})
    )
    kind = "vector" if width > 64 else "integer"
    bench.load = Always(cores, width, of_kind(about.power.activity, kind, width))
    bench.advance(3600.0)
    wanted_v = about.silicon.softness_v * norm.isf(1.0 / PLACES[place] / TRIES_PER_S)
    more_v = bench.margins_v(bench.load.kind)[core] - wanted_v
    return lantern(silicon={"weak": [{"core": core, "more": f"{more_v * 1000:.6f} mV", "width": width, **limits}]})


def home_of(tmp_path: Path, monkeypatch):
    """A state folder that nothing may be written to."""
    home = tmp_path / "home"
    home.mkdir()
    monkeypatch.setenv("SOAKD_HOME", str(home))
    return home
