"""A verdict as it is signed: an in-toto Statement v1 about one run, in a DSSE v1 envelope.

Field names are those of the in-toto attestation specification (spec/v1/statement.md, spec/predicates/test-result.md)
and of the DSSE specification (envelope.md, version 1.0.0); the test-result's own extension field is `soakd`.
"""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import Field, StringConstraints

from soakd.model.base import Value
from soakd.model.finding import Finding
from soakd.model.run import RunRecord
from soakd.model.verdict import Evidence, Outcome

STATEMENT_TYPE: Final = "https://in-toto.io/Statement/v1"
PREDICATE_TYPE: Final = "https://in-toto.io/attestation/test-result/v0.1"
PAYLOAD_TYPE: Final = "application/vnd.in-toto+json"
Sha256 = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]


class Digest(Value):
    """An in-toto DigestSet of one algorithm, as hexadecimal digits."""

    sha256: Sha256


class Resource(Value):
    """An in-toto ResourceDescriptor: a document by name and digest."""

    name: str
    digest: Digest


class Place(Value):
    """Where the verdict stands in its ledger."""

    number: int = Field(ge=1)
    """Counted from 1, without holes."""
    previous: Sha256 | None
    """The link of the verdict before it; None for the first."""


class Judgement(Value):
    """All that is needed to judge the run again, and what came of it: the extension field `soakd`."""

    version: Literal[1]
    place: Place
    judged_by: str
    """Version of soakd whose rules judged; that of the run is in its record."""
    outcome: Outcome
    reasons: tuple[Finding, ...]
    notes: tuple[Finding, ...]
    record: RunRecord
    evidence: Evidence


class Predicate(Value):
    """in-toto test-result v0.1. Whoever knows only that must never take for a pass what is none."""

    result: Literal["PASSED", "FAILED"]
    """PASSED for a pass that is no drill; FAILED for everything else, inconclusive included."""
    configuration: tuple[Resource, ...]
    """Plan, sheet if there was one, and settings: the digest of these is the fingerprint."""
    passed_tests: tuple[str, ...] = Field(alias="passedTests")
    """Stages, as `1 Heat`: complete, and nothing was found in them."""
    warned_tests: tuple[str, ...] = Field(alias="warnedTests")
    """Complete, with a finding that makes the run inconclusive."""
    failed_tests: tuple[str, ...] = Field(alias="failedTests")
    """With wrong results, a finding that fails the run, or not complete."""
    soakd: Judgement


class Statement(Value):
    """in-toto Statement v1. Its subject is the run, by the digest of the evidence document."""

    type_: Literal["https://in-toto.io/Statement/v1"] = Field(alias="_type")
    subject: tuple[Resource]
    predicate_type: Literal["https://in-toto.io/attestation/test-result/v0.1"] = Field(alias="predicateType")
    predicate: Predicate


class Signature(Value):
    """By one key. `keyid`: SHA-256 of the public key's DER SubjectPublicKeyInfo (RFC 5280)."""

    keyid: Sha256
    sig: str
    """Base64 (RFC 4648 section 4) of the 64 bytes of an Ed25519 signature (RFC 8032)."""


class Envelope(Value):
    """DSSE v1, with exactly one signature."""

    payload: str
    """Base64 of the statement's canonical JSON (RFC 8785)."""
    payload_type: Literal["application/vnd.in-toto+json"] = Field(alias="payloadType")
    signatures: tuple[Signature]


class Signed(Value):
    """What a key made of a message."""

    keyid: Sha256
    public: str
    """The public key that it can be verified with, PEM."""
    signature: bytes
