"""DSSE v1: what is signed, and the one spelling of the envelope around it.

The DSSE specification lets verifiers take either alphabet of base64, fields that they do not know, and any spelling of
the JSON around the signed bytes. Here every byte counts, so exactly one file stands for one signature.
"""

from __future__ import annotations

import base64
import binascii
from dataclasses import dataclass

from pydantic import ValidationError

from soakd.model.statement import PAYLOAD_TYPE, Envelope, Signature
from soakd.rules.canonical import UnsoundError, canonical, read_strictly


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """An envelope's parts; nothing is verified yet."""

    payload: bytes
    keyid: str
    signature: bytes


def pae(payload_type: str, payload: bytes) -> bytes:
    """Pre-Authentication Encoding (DSSE protocol.md, version 1.0.0): what the signature is really made of."""
    kind = payload_type.encode()
    return b"DSSEv1 %d %b %d %b" % (len(kind), kind, len(payload), payload)


def signed_bytes(payload: bytes) -> bytes:
    """What the key signs for a statement."""
    return pae(PAYLOAD_TYPE, payload)


def sealed(payload: bytes, keyid: str, signature: bytes) -> str:
    """The envelope's text; a file of it ends with one line feed."""
    signatures = (Signature(keyid=keyid, sig=_encoded(signature)),)
    envelope = Envelope(payload=_encoded(payload), payloadType=PAYLOAD_TYPE, signatures=signatures)
    return canonical(envelope.model_dump(mode="json")).decode()


def opened(text: bytes) -> Opened:
    """The parts of an envelope without its line feed. Raises UnsoundError for what is none, or is spelt differently."""
    document = read_strictly(text)
    try:
        envelope = Envelope.model_validate_json(canonical(document))
    except ValidationError as error:
        raise UnsoundError(f"it is no signed verdict: {first_fault(error)}") from None
    (signature,) = envelope.signatures
    return Opened(
        payload=_decoded("payload", envelope.payload),
        keyid=signature.keyid,
        signature=_decoded("signature", signature.sig),
    )


def first_fault(error: ValidationError) -> str:
    """Where a document does not have the shape that it should, in one line."""
    fault = error.errors(include_url=False, include_input=False)[0]
    where = ".".join(map(str, fault["loc"])) or "the document"
    return f"{where}: {fault['msg'].lower()}"


def _encoded(raw: bytes) -> str:
    return base64.b64encode(raw).decode("ascii")


def _decoded(what: str, text: str) -> bytes:
    """Base64 can spell the same bytes in several ways: other alphabets, stray characters, spare bits. One counts."""
    try:
        raw = base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError):
        raise UnsoundError(f"the {what} is not base64") from None
    if _encoded(raw) != text:
        raise UnsoundError(f"the {what} is not base64 in its one canonical spelling (RFC 4648 section 3.5)")
    return raw
