"""JSON in the one spelling that digests and signatures are made of, and reading it without mercy."""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, NoReturn

import rfc8785

if TYPE_CHECKING:
    from collections.abc import Sequence

LARGEST = 2**53 - 1
"""Whole numbers beyond this are no JSON numbers that everybody reads alike (RFC 8785 appendix D)."""


class UnsoundError(Exception):
    """The one line that says why a document is refused."""


def canonical(document: object) -> bytes:
    """RFC 8785; whole numbers beyond 2^53 - 1 become text, as its appendix D advises. UnsoundError: not possible."""
    try:
        return rfc8785.dumps(_readable(document))  # type: ignore[arg-type]
    except (rfc8785.CanonicalizationError, UnicodeEncodeError, RecursionError) as error:
        raise UnsoundError(f"it has no canonical form: {error}") from error


def digest(raw: bytes) -> str:
    """SHA-256 (FIPS 180-4) as 64 hexadecimal digits."""
    return hashlib.sha256(raw).hexdigest()


def read_strictly(raw: bytes) -> object:
    """JSON whose bytes are exactly its canonical form: no second spelling, no key twice. Raises UnsoundError."""
    try:
        document = json.loads(raw.decode("utf-8"), object_pairs_hook=_once, parse_constant=_no_number, parse_int=_whole)
    except UnicodeDecodeError:
        raise UnsoundError("it is not UTF-8 text") from None
    except (ValueError, RecursionError) as error:
        raise UnsoundError(f"it is not JSON: {error}") from None
    if canonical(document) != raw:
        raise UnsoundError("its JSON is not in canonical form (RFC 8785): it was written or changed by something else")
    return document


def _readable(value: object) -> object:
    if isinstance(value, dict):
        return {key: _readable(each) for key, each in value.items()}
    if isinstance(value, list):
        return [_readable(each) for each in value]
    if isinstance(value, int) and abs(value) > LARGEST:
        return str(value)
    return value


def _whole(text: str) -> int | float:
    """Digits beyond that can only be a float's, which RFC 8785 writes without an exponent up to 1e21."""
    return int(text) if abs(int(text)) <= LARGEST else float(text)


def _once(pairs: Sequence[tuple[str, object]]) -> dict[str, object]:
    found = dict(pairs)
    if len(found) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise UnsoundError(f"the key {twice!r} stands twice in one object")
    return found


def _no_number(text: str) -> NoReturn:
    raise UnsoundError(f"{text} is no JSON number")
