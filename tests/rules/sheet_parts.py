"""Random clocks for the tests of what a sheet allows."""

from __future__ import annotations

from hypothesis import strategies as st

from soakd.model.sheet import ActiveLimit, Clocks, CoreCeiling, StepDown, VectorLimit

CORES = 16
WIDTHS = (64, 128, 256, 512)

ratios = st.integers(4 * 20, 4 * 70).map(lambda quarters: quarters / 4)
lowered = st.integers(0, 4 * 8).map(lambda quarters: quarters / 4)
active_counts = st.integers(1, CORES)
temperatures = st.none() | st.floats(-20.0, 120.0)
_moments = st.integers(40, 110).map(float)
_steps = st.tuples(_moments, st.integers(1, CORES))


@st.composite
def any_clocks(draw) -> Clocks:
    """Whatever the model takes, no entry twice; not every such sheet is in order."""
    actives = draw(st.sets(active_counts, max_size=6))
    ceilings = draw(st.sets(st.integers(0, CORES - 1), max_size=6))
    widths = draw(st.sets(st.sampled_from(WIDTHS[1:])))
    return Clocks(
        reference_mhz=draw(st.none() | st.sampled_from([99.8, 100.0, 100.15, 133.33])),
        limits=tuple(ActiveLimit(active_cores=active, ratio=draw(ratios)) for active in actives),
        cores=tuple(CoreCeiling(core=core, ratio=draw(ratios)) for core in ceilings),
        vector=tuple(VectorLimit(width=width, below=draw(lowered)) for width in widths),
        steps_down=tuple(
            StepDown(at_c=at_c, by=draw(lowered), active_cores=active)
            for at_c, active in draw(st.sets(_steps, max_size=4))
        ),
    )


@st.composite
def orderly_clocks(draw) -> Clocks:
    """Ratios that fall as more cores are active, and steps down that lower more the hotter it is."""
    clocks = draw(any_clocks())
    actives = sorted(entry.active_cores for entry in clocks.limits)
    falling = sorted((entry.ratio for entry in clocks.limits), reverse=True)
    steps = sorted(clocks.steps_down, key=lambda step: step.at_c)
    rising = sorted(step.by for step in steps)
    return clocks.model_copy(
        update={
            "limits": tuple(
                ActiveLimit(active_cores=active, ratio=ratio) for active, ratio in zip(actives, falling, strict=True)
            ),
            "steps_down": tuple(
                StepDown(at_c=step.at_c, by=by, active_cores=step.active_cores)
                for step, by in zip(steps, rising, strict=True)
            ),
        }
    )
