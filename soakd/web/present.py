"""The run that is on as the pages show it: followed through the journal, so that a page opened late knows all of it."""

from __future__ import annotations

from contextlib import closing
from typing import TYPE_CHECKING, Final

from soakd.errors import StoreError
from soakd.report.now import NowView, now_view
from soakd.report.sofar import SoFar
from soakd.store.following import Following
from soakd.workloads.kinds import KINDS

if TYPE_CHECKING:
    from datetime import tzinfo
    from pathlib import Path

UNITS: Final = {name: kind.unit for name, kind in KINDS.items()}
"""Kind of workload to what its operations count."""


class Present:
    """Used by one thread alone, which may have to read a whole night at first."""

    def __init__(self, journal: Path, zone: tzinfo) -> None:
        self._journal = journal
        self._zone = zone
        self._following: Following | None = None
        self.so_far: SoFar | None = None

    @property
    def behind(self) -> bool:
        """There is more to be read of it."""
        return self._following is not None and self._following.behind

    def look(self, run_id: str | None) -> None:
        """Take what has been written of this run since the last look; of a long time, a piece at a time."""
        if self._following is not None and self._following.record.run_id != run_id:
            self._drop()
        if run_id is None:
            return
        try:
            if self._following is None or self.so_far is None:
                self._following = Following(self._journal, run_id)
                self.so_far = SoFar(self._following.record, UNITS)
            for event in self._following.news():
                self.so_far.take(event)
        except (StoreError, ValueError):
            self._drop()

    def view(self) -> NowView | None:
        """None while no run is on."""
        return None if self.so_far is None else now_view(self.so_far, self._zone, behind=self.behind)

    def _drop(self) -> None:
        if self._following is not None:
            with closing(self._following):
                self._following = None
        self.so_far = None
