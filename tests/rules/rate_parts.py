"""Stages of two benches that are alike, or not: operations of each tick, with what really moves a speed."""

from __future__ import annotations

import math
import random

TICK_S = 1.0


def stage(seed, minutes=20.0, *, per_second=1e9, scatter=0.005, wander=0.01, memory_s=10.0):
    """Operations and busy time of each tick. `scatter`: of single ticks, as a share of the speed (rounds do not end on
    ticks); `wander`: of what goes on for about `memory_s` (other work, heat), a first-order process.
    """
    draws = random.Random(seed)
    kept = math.exp(-TICK_S / memory_s)
    state, done, busy_s = draws.gauss(0.0, wander), [], []
    for _ in range(round(minutes * 60.0 / TICK_S)):
        state = kept * state + draws.gauss(0.0, wander * math.sqrt(1.0 - kept * kept))
        done.append(per_second * TICK_S * (1.0 + state + draws.gauss(0.0, scatter)))
        busy_s.append(TICK_S)
    return done, busy_s
