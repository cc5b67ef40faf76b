"""The newest link of the chain, noted beside the journal: what was cut off its end since then shows."""

from __future__ import annotations

import os
from contextlib import suppress
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from pathlib import Path

_NAME: Final = "newest-link"


def note(journal: Path, link: str) -> None:
    """After it is durable in the journal; a drive that takes no file keeps the older note, which holds as well."""
    path = journal.with_name(_NAME)
    new = path.with_suffix(".new")
    with suppress(OSError):
        with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w", encoding="ascii") as file:
            file.write(f"{link}\n")
            file.flush()
            os.fsync(file.fileno())
        new.replace(path)


def noted(journal: Path) -> str | None:
    """None where nothing was noted, or it cannot be read. To be asked before the chain is read, which only grows."""
    try:
        return journal.with_name(_NAME).read_text(encoding="ascii").strip() or None
    except (OSError, UnicodeDecodeError):
        return None
