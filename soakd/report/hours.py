"""The load that a bound on the mean time between errors asks for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from soakd import units
from soakd.rules.demonstration import needed_s
from soakd.rules.fixed_plans import FIXED_PLANS

if TYPE_CHECKING:
    from collections.abc import Iterator

_PERCENT = 100.0


def hours_lines(mean_s: float, confidence: float, errors: int, *, published: bool) -> Iterator[str]:
    """One line for each number of errors that may come, then the published tests."""
    yield (
        f"Checked load that shows a mean time between errors of {units.duration_text(mean_s)}, at "
        f"{confidence * _PERCENT:.10g} % confidence:"
    )
    for count in range(errors + 1):
        load = units.duration_text(needed_s(mean_s, confidence, count))
        yield f"  {'no error' if not count else 'up to 1 error' if count == 1 else f'up to {count} errors':16} {load}"
    if published:
        yield "MIL-HDBK-781A, tests of fixed length; risks of accepting this mean, of rejecting a better one:"
        for plan in FIXED_PLANS:
            load = units.duration_text(plan.length * mean_s)
            yield (
                f"  {plan.name:7} {load}, rejected at {plan.rejects_at}; {plan.consumer_risk:.1%}, "
                f"{plan.producer_risk:.1%} at {plan.ratio:g} times the mean"
            )
    yield "It takes errors to come at a constant rate, and speaks of that run's points, temperatures and age alone."


def hours_json(mean_s: float, confidence: float, errors: int, *, published: bool) -> dict[str, Any]:
    """The same for machines."""
    needed = [{"errors": count, "load_s": needed_s(mean_s, confidence, count)} for count in range(errors + 1)]
    found: dict[str, Any] = {"mean_s": mean_s, "confidence": confidence, "needed": needed}
    if published:
        found["published"] = [
            {
                "plan": plan.name,
                "load_s": plan.length * mean_s,
                "rejects_at": plan.rejects_at,
                "ratio": plan.ratio,
                "consumer_risk": plan.consumer_risk,
                "producer_risk": plan.producer_risk,
            }
            for plan in FIXED_PLANS
        ]
    return found
