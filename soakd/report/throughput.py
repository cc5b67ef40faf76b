"""The table of `soakd workloads measure`: a line per kernel and class, with a bar for its share of the core's limit."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rich.text import Text

if TYPE_CHECKING:
    from soakd.model.throughput import Throughput

_BAR: Final = 12
_GOOD: Final = 0.9
_SHORT: Final = {
    "integer operations": "op",
    "floating-point operations": "flop",
    "bytes": "B",
    "operations on shared words": "op",
    "operations and words moved": "op",
}


def heading(cores: int) -> Text:
    """The columns."""
    together = f"all {cores} at once" if cores > 1 else "again"
    limit = f"{'of the limit':{_BAR + 5}}"
    return Text(f"{'':18} {'':14} {'one core':>12} {'/cycle':>6}  {limit} {'check':>6} {together:>14}", style="bold")


def line(row: Throughput) -> Text:
    """One kernel in one class. Where no limit is known there is no bar."""
    unit = _SHORT.get(row.unit, row.unit)
    together = sum(core.best_per_second for core in row.every)
    cycle = f"{row.one.per_cycle:6.2f}" if row.one.per_cycle is not None else f"{'?':>6}"
    text = Text(f"{row.workload:18} {row.instruction_class:14} {_rate(row.one.best_per_second, unit):>12} {cycle}  ")
    text.append(_share(row))
    text.append(f" {row.one.check_share:6.2%} {_rate(together, unit):>14}")
    if row.times_copy_every is not None:
        text.append(f"  {row.times_copy_every:.2f} × copy")
    faults = row.one.faults + sum(core.faults for core in row.every)
    if faults:
        text.append(f"  {faults} WRONG RESULTS", style="bold red")
    return text


def _share(row: Throughput) -> Text:
    if row.times_copy is not None:
        return Text(f"{row.times_copy:.2f} × copy".ljust(_BAR + 5))
    if row.limit_share is None:
        return Text("no limit known".ljust(_BAR + 5), style="dim")
    full = min(_BAR, int(_BAR * row.limit_share))
    bar = Text("━" * full, style="green" if row.limit_share >= 0.9 else "yellow")
    return bar.append("╌" * (_BAR - full), style="dim").append(f"{row.limit_share:5.0%}", style="default")


def _rate(per_second: float, unit: str) -> str:
    """With the SI prefix that leaves one to three digits before the point."""
    for prefix, scale in (("T", 1e12), ("G", 1e9), ("M", 1e6), ("k", 1e3)):
        if per_second >= scale:
            return f"{per_second / scale:.3g} {prefix}{unit}/s"
    return f"{per_second:.3g} {unit}/s"
