"""The identity of what was tested: SHA-256 over the canonical JSON (RFC 8785) of sheet and snapshot."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import rfc8785

from soakd.model.sheet import OUTSIDE_FINGERPRINT
from soakd.model.snapshot import settings_of
from soakd.rules.differences import differences

if TYPE_CHECKING:
    from soakd.model.sheet import Sheet
    from soakd.model.snapshot import Snapshot


def canonical_digest(document: object) -> str:
    """SHA-256 (FIPS 180-4) of a JSON value's canonical form, as 64 hexadecimal digits."""
    return hashlib.sha256(rfc8785.dumps(document)).hexdigest()  # type: ignore[arg-type]


def fingerprint(sheet: Sheet | None, snapshot: Snapshot) -> str:
    """One value for these settings on this bench. Notes, key order and number spelling do not count."""
    declared = None if sheet is None else declared_of(sheet)
    return canonical_digest({"sheet": declared, "snapshot": settings_of(snapshot)})


def declared_of(sheet: Sheet) -> dict[str, object]:
    """The part of a sheet that a fingerprint covers; what is not declared is left out, so that new keys change none."""
    return sheet.model_dump(mode="json", exclude=set(OUTSIDE_FINGERPRINT), exclude_defaults=True)


def settings_changed(before: Snapshot, after: Snapshot) -> list[str]:
    """One line per setting that is not what it was; none, and nothing worked out, where all is equal."""
    return [] if settings_of(before) == settings_of(after) else differences(before, after)
