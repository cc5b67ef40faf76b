"""One trial of the ledger: a sheet by its name, and what came of the runs with it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """Counts are those of the verdicts that were asked for."""

    name: str | None
    """None: all runs without a sheet together."""
    parent: str | None
    """Name of the trial that it was made from."""
    newest_utc: str
    """End of its newest run."""
    passes: int
    fails: int
    inconclusive: int
    drills: int
    """Of whatever outcome; they are in none of the other counts."""

    @property
    def verdicts(self) -> int:
        return self.passes + self.fails + self.inconclusive + self.drills
