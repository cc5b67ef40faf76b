"""Virtual benches with one known cause each, and what leads ought to name."""

from __future__ import annotations

from scipy.stats import norm
from virtual_parts import Always, lantern, overnight, planted, sheet

from soakd.model.sheet import ActiveLimit
from soakd.rules.leads import leads
from soakd.service.rehearsal import rehearse
from soakd.virtual.bench import Bench
from soakd.virtual.shift import of_kind
from soakd.virtual.silicon import TRIES_PER_S

COLLECTED = 100
"""Wrong results at which the load stops."""
ALL = tuple(range(6))
ALIKE = {"spread": "0 V"}
"""Silicon without a lottery."""
COOL = {"switching": "75 W"}
UNLIMITED = {"sustained_power_w": None, "short_power_w": None, "current_a": None}
FLAT = {"spread": "0 V", "wider": [], "per-kelvin": "0 V"}
"""Silicon that needs the same at any width and temperature."""


def missing_v(cores, kind, width, mean_s, seed, about=None, of_sheet=None):
    """Core to what it would have to need on top, under this load held for an hour, to err once in so long."""
    about = about or lantern()
    bench = Bench(about, of_sheet or sheet(), seed=seed)
    bench.load = Always(cores, width, of_kind(about.power.activity, kind, width))
    bench.advance(3600.0)
    wanted_v = about.silicon.softness_v * norm.isf(1.0 / mean_s / TRIES_PER_S)
    return {core: margin_v - wanted_v for core, margin_v in bench.margins_v(bench.load.kind).items()}


def volts(more_v):
    return f"{more_v * 1000:.6f} mV"


def changed(**groups):
    """The shipped sheet with values of its groups changed."""
    shipped = sheet()
    return shipped.model_copy(
        update={name: getattr(shipped, name).model_copy(update=values) for name, values in groups.items()}
    )


def stiff():
    """The shipped sheet on a supply that does not sag: a core errs alone as it does beside the others."""
    return changed(voltages={"load_line_mohm": 0.0}, limits=UNLIMITED, clocks={"steps_down": ()})


def level():
    """The same, with one ratio for everything."""
    limits = (ActiveLimit(active_cores=6, ratio=46.0),)
    return changed(
        voltages={"load_line_mohm": 0.0},
        limits=UNLIMITED,
        clocks={"limits": limits, "cores": (), "vector": (), "steps_down": ()},
    )


def weak(cores, kind, bits, mean_s, seed, *, of_sheet=None, silicon=None, **where):
    """Cores that err about once in `mean_s` under that load on all cores, and wherever else `where` lets them."""
    power = COOL if silicon else {}
    about = lantern(silicon=silicon or {}, power=power)
    more = missing_v(ALL, kind, bits, mean_s, seed, about, of_sheet)
    planted_weak = [{"core": core, "more": volts(more[core]), **where} for core in cores]
    return lantern(silicon={**(silicon or {}), "weak": planted_weak}, power=power), of_sheet, seed


def top(mean_s, seed):
    """All cores need more at the clock that four of them reach when alone."""
    more = missing_v((0,), "integer", 64, mean_s, seed, lantern(silicon=ALIKE))[0]
    planted_weak = [{"core": core, "more": volts(more), "clock": "5050 MHz"} for core in ALL]
    return lantern(silicon={**ALIKE, "weak": planted_weak}), None, seed


def trouble(where, every, seed, **more):
    return lantern(trouble=[{"in": where, "every": every, **more}]), None, seed


def fault(what, at, seed, **more):
    return lantern(fault=[{"what": what, "at": at, **more}]), None, seed


def held_back(seed, **limits):
    """Without steps down, which would have to lie below the throttle temperature."""
    return lantern(), changed(limits=limits, clocks={"steps_down": ()}), seed


def night(about, of_sheet=None, *, seed, tick_s=10.0):
    """A verdict of the shipped night that goes on past its first wrong results."""
    shipped = overnight(tick_s)
    guard = shipped.guard.model_copy(update={"mismatches": COLLECTED})
    shipped = shipped.model_copy(update={"guard": guard})
    return rehearse(shipped, of_sheet or sheet(), about, plan_file="overnight", seed=seed).verdict


CPU = "hwmon/lantern/CPU"
BENCHES = {
    "core 2 too fast alone": (lambda: (planted("fast", 2, 1), None, 1), "one-core-fast"),
    "core 0 too fast alone": (lambda: (planted("fast", 0, 5), None, 5), "one-core-fast"),
    "core 3 weak above 65 °C": (lambda: (planted("hot", 3, 1), None, 1), "one-core-hot"),
    "core 1 weak above 71 °C": (lambda: weak([1], "vector", 512, 400.0, 6, above="71 °C"), "one-core-hot"),
    "core 4 weak in 512 bits": (
        lambda: weak([4], "vector", 512, 300.0, 2, of_sheet=stiff(), silicon=FLAT, width=512), "one-core-wide",
    ),
    "core 4 weak under sag": (lambda: weak([4], "vector", 512, 400.0, 2, width=512), "one-core-heavy"),
    "core 1 weak at any load": (
        lambda: weak([1], "vector", 512, 500.0, 3, of_sheet=level(), silicon=FLAT), "one-core-everywhere",
    ),
    "four cores short in 512 bits": (
        lambda: weak([0, 1, 3, 4], "vector", 512, 1500.0, 4, of_sheet=stiff(), silicon=FLAT, width=512), "wide",
    ),
    "all cores short at the top ratio": (lambda: top(300.0, 4), "fast"),
    "all cores short at any load": (
        lambda: weak(ALL, "vector", 512, 2000.0, 7, of_sheet=level(), silicon=FLAT), "everywhere",
    ),
    "load line too soft": (
        lambda: (lantern(silicon=ALIKE), changed(voltages={"load_line_mohm": 1.155}), 8), "heavy",
    ),
    "memory, lane 3": (lambda: trouble("memory", "2 h", 9, lane=3, again="wrong"), "memory-lane"),
    "memory, any lane": (lambda: trouble("memory", "1 h", 10, again="right"), "memory"),
    "exchange": (lambda: trouble("exchange", "10 min", 11), "exchange"),
    "edges of load": (lambda: trouble("edges", "5 min", 12), "pulses"),
    "reset in a walk": (lambda: fault("machine-resets", "90 min", 13), "went-down-light"),
    "reset in the heat": (lambda: fault("machine-resets", "40 min", 14), "went-down-heavy"),
    "pump": (lambda: fault("pump-fails", "20 min", 15), "pump"),
    "fans": (lambda: fault("fans-fail", "20 min", 16), "fans"),
    "sensor": (lambda: fault("sensor-vanishes", "50 min", 17, channel=CPU), "sensor-lost"),
    "power limit": (lambda: held_back(18, sustained_power_w=90.0, short_power_w=90.0), "clock-power"),
    "throttle temperature": (lambda: held_back(19, throttle_c=66.0), "clock-heat"),
}  # fmt: skip
"""Name to bench, sheet and seed, and the lead that is right."""


def said(make):
    """The verdict of one of them, and its leads."""
    about, of_sheet, seed = make()
    verdict = night(about, of_sheet, seed=seed)
    return verdict, leads(verdict)
