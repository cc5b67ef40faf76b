"""Benches and sheets that plans are drafted for, without any hardware."""

from __future__ import annotations

from soakd.model.sheet import ActiveLimit, Clocks, Sheet, VectorLimit
from soakd.rules.chapters import Ground
from soakd.rules.plan_check import class_for
from soakd.rules.planned import surveyed

VECTOR = ("vector-128", "vector-256", "vector-256-fma", "vector-512")
MEMORY = ("vector-128", "vector-256-fma", "vector-512")
CLASSES = {
    "integer/streams": ("scalar",),
    "integer/lanes": MEMORY,
    "vector/lanes": VECTOR,
    "vector/matrix": ("vector-256-fma", "vector-512"),
    "memory/march": MEMORY,
    "memory/reread": MEMORY,
    "exchange/counters": ("scalar",),
    "exchange/ring": ("scalar",),
}


def ground(cores, *, threads=1, classes=CLASSES):
    """So many physical cores; second threads come after all the first ones, as on most benches."""
    return Ground(
        cores=range(cores * threads), physical={core: core % cores for core in range(cores * threads)}, classes=classes
    )


def sheet(*actives, widths=(256, 512), **changes):
    """Limits for these numbers of active cores; lower ratios for these widths."""
    clocks = Clocks(
        reference_mhz=100.0,
        limits=tuple(ActiveLimit(active_cores=active, ratio=max(60 - active, 10)) for active in actives),
        vector=tuple(VectorLimit(width=width, below=place) for place, width in enumerate(widths, start=1)),
        **changes.pop("clocks", {}),
    )
    return Sheet(**{"version": 1, "name": "Trial", "clocks": clocks, **changes})


def survey(plan, declared, on):
    return surveyed(
        plan,
        declared.clocks,
        bench_cores=on.cores,
        physical=on.physical,
        class_of=lambda stage: class_for(stage, on.classes[stage.kernel]),
    )
