"""What only the service can do of the first start: look at the bench, draft for it, and keep what a tuner writes."""

from __future__ import annotations

import asyncio
import os
import re
import tempfile
from typing import TYPE_CHECKING, Final, Literal

from pydantic import ValidationError

from soakd.clock import utc_text
from soakd.errors import StateError, StoreError, UsageError
from soakd.model.begun import Begun
from soakd.model.look import DraftedPlan, Look
from soakd.service.home import put_whole
from soakd.service.idle import Idle

if TYPE_CHECKING:
    from pathlib import Path

    from soakd.clock import Clock
    from soakd.model.begun import Did, StepName
    from soakd.model.configuration import Configuration

BEGUN: Final = "start.json"
MODULE: Final = "soakd.service.look_process"
_MOST_S: Final = 60.0
_FRESH_S: Final = 3.0
"""A look that is younger is not made again."""
_MOST_FILES: Final = 500
_NAME: Final = re.compile(r"[a-z0-9][a-z0-9-]{0,59}")


class Starting:
    """Made and used in the loop of the API's process."""

    def __init__(self, home: Path, configuration: Configuration, clock: Clock) -> None:
        self.seen: Look | None = None
        """The last look."""
        self._seen_s = 0.0
        self._clock = clock
        self._home = home
        self._own = configuration.model_dump(mode="json")
        self._idle = Idle(MODULE, most_s=_MOST_S)
        self._looking = asyncio.Lock()

    async def look(self, *, again: bool) -> Look:
        """Once, unless it is asked for again, and then no more often than makes sense. Raises SoakdError."""
        async with self._looking:
            old = self._clock.monotonic() - self._seen_s > _FRESH_S
            if self.seen is None or (again and old):
                asked = {"home": str(self._home), "configuration": self._own}
                self.seen = Look.model_validate(await self._idle.ask(asked), strict=False)
                self._seen_s = self._clock.monotonic()
            return self.seen

    async def draft(self, sheet: str, hours: float) -> DraftedPlan:
        """`sheet`: its text. Raises SoakdError."""
        asked = {"sheet": sheet, "hours": hours, "configuration": self._own}
        return DraftedPlan.model_validate(await self._idle.ask(asked), strict=False)

    def begun(self) -> Begun:
        """How far it has come."""
        try:
            return Begun.model_validate_json((self._home / BEGUN).read_bytes(), extra="ignore")
        except (OSError, ValidationError):
            return Begun()

    def note_step(self, step: StepName, did: Did) -> None:
        """Remember what somebody says of a step. Raises StoreError."""
        begun = self.begun()
        seen, skipped = (tuple(each for each in names if each != step) for names in (begun.seen, begun.skipped))
        changes: dict[str, object] = {
            "seen": (*seen, step) if did == "done" else seen,
            "skipped": (*skipped, step) if did == "skipped" else skipped,
        }
        if step == "cautions":
            changes["acknowledged_utc"] = utc_text(self._clock.wall()) if did == "done" else None
        self._keep(begun.model_copy(update=changes))

    def note_choice(self, *, sheet: str | None = None, plan: str | None = None) -> None:
        """Remember what was chosen; what is None stays as it was. Raises StoreError."""
        changes = {name: key for name, key in (("sheet", sheet), ("plan", plan)) if key is not None}
        self._keep(self.begun().model_copy(update=changes))

    def _keep(self, begun: Begun) -> None:
        try:
            put_whole(self._home / BEGUN, begun.model_dump_json(indent=2) + "\n")
        except OSError as error:
            raise StoreError(f"{self._home / BEGUN}: {error.strerror}") from error

    def keep(self, folder: Literal["sheets", "plans"], name: str, text: str) -> Path:
        """A file of the bench's own, whole or not at all, for its owner alone. UsageError, StateError, StoreError.

        Nothing is overwritten: link(2) refuses a name that is taken.
        """
        if not _NAME.fullmatch(name):
            raise UsageError("name: small letters, digits and hyphens, such as trial-1; 60 at most")
        place = self._home / folder
        path = place / f"{name}.toml"
        try:
            place.mkdir(mode=0o700, exist_ok=True)
            if sum(1 for _ in place.iterdir()) >= _MOST_FILES:
                raise StateError(f"{place} holds {_MOST_FILES} files already", hint="move some elsewhere")
            with tempfile.NamedTemporaryFile("w", encoding="utf-8", dir=place, prefix=".new-") as new:
                new.write(text)
                new.flush()
                os.fsync(new.fileno())
                os.link(new.name, path)
        except FileExistsError:
            raise StateError(
                f"{path.name} is there already", hint="give a name that is free; nothing is overwritten"
            ) from None
        except OSError as error:
            raise StoreError(f"{path}: {error.strerror}") from error
        return path
