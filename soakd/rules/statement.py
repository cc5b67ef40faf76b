"""The statement that is signed for a verdict, and judging it again from what it holds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from pydantic import ValidationError

from soakd.model.statement import (
    PREDICATE_TYPE,
    STATEMENT_TYPE,
    Digest,
    Judgement,
    Place,
    Predicate,
    Resource,
    Statement,
)
from soakd.rules.canonical import UnsoundError, canonical, digest, read_strictly
from soakd.rules.envelope import first_fault
from soakd.rules.fingerprint import fingerprint
from soakd.rules.judge import judge

if TYPE_CHECKING:
    from collections.abc import Mapping

    from soakd.model.run import RunRecord
    from soakd.model.verdict import Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A statement that is what it says it is."""

    place: Place
    judged_by: str
    record: RunRecord
    verdict: Verdict
    """As it was signed."""
    otherwise: str | None
    """The rules of this soakd come to something else, as those of another version may: in words; None where not."""


def statement_of(record: RunRecord, verdict: Verdict, place: Place, judged_by: str) -> Statement:
    """What is to be signed. `judged_by`: version of soakd. UnsoundError: something has no canonical form."""
    plain = record.model_dump(mode="json")
    passed, warned, failed = _stages(verdict)
    return Statement(
        _type=STATEMENT_TYPE,
        predicateType=PREDICATE_TYPE,
        subject=(_resource(record.run_id, _document(plain, verdict.evidence.model_dump(mode="json"))),),
        predicate=Predicate(
            result=_result(verdict),
            configuration=_configuration(plain),
            passedTests=passed,
            warnedTests=warned,
            failedTests=failed,
            soakd=Judgement(
                version=1,
                place=place,
                judged_by=judged_by,
                outcome=verdict.outcome,
                reasons=verdict.reasons,
                notes=verdict.notes,
                record=record,
                evidence=verdict.evidence,
            ),
        ),
    )


def payload_of(statement: Statement) -> bytes:
    """The bytes that go into the envelope. Raises UnsoundError."""
    return canonical(statement.model_dump(mode="json"))


def link_of_signed(payload: bytes) -> str:
    """What the next verdict of the ledger names."""
    return digest(payload)


def link_of_unsigned(place: Place, body: str) -> str:
    """The same for a verdict without a signature: the next signed one vouches for its text and its place."""
    return digest(canonical({**place.model_dump(mode="json"), "verdict": digest(body.encode())}))


def judged_again(payload: bytes, here: str) -> Judged:
    """Schema, digests and outcome of a statement, by the rules of this soakd, whose version is `here`.

    Raises UnsoundError with the reason. What another version of soakd signed may hold fields that are unknown here, or
    come out differently here: that is said and is no fault.
    """
    document: Any = read_strictly(payload)
    statement, told = _read(document, payload, here)
    judgement = statement.predicate.soakd
    _digests_fit(document, statement)
    record, evidence = judgement.record, judgement.evidence
    try:
        again = judge(record, evidence)
    except (LookupError, ValueError, TypeError, ArithmeticError) as error:
        raise UnsoundError(f"its evidence cannot be judged: {error!r}") from error
    signed = again.model_copy(
        update={"outcome": judgement.outcome, "reasons": judgement.reasons, "notes": judgement.notes}
    )
    if statement.predicate.result != _result(signed) or _tests(statement.predicate) != _stages(signed):
        raise UnsoundError("its result or its lists of stages do not follow from its outcome and evidence")
    unlike = _unlike(record)
    if unlike and record.soakd_version == here:
        raise UnsoundError(unlike)
    otherwise = _otherwise(signed, again, judgement.judged_by)
    if otherwise and judgement.judged_by == here:
        raise UnsoundError(f"its outcome does not follow from its evidence: {otherwise}")
    return Judged(
        place=judgement.place,
        judged_by=judgement.judged_by,
        record=record,
        verdict=signed,
        otherwise=told or otherwise or unlike,
    )


def _read(document: Any, payload: bytes, here: str) -> tuple[Statement, str | None]:
    try:
        return Statement.model_validate_json(payload), None
    except ValidationError as error:
        fault = first_fault(error)
    try:
        statement = Statement.model_validate_json(payload, extra="ignore")
        other = document["predicate"]["soakd"]["judged_by"]
    except ValidationError as error:
        raise UnsoundError(f"its schema is not that of a verdict: {first_fault(error)}") from None
    if other == here:
        raise UnsoundError(f"its schema is not that of a verdict: {fault}")
    return statement, f"it holds what this soakd does not know ({fault})"


def _digests_fit(document: Any, statement: Statement) -> None:
    """Over what is really there, known or not."""
    plain = document["predicate"]["soakd"]
    record = statement.predicate.soakd.record
    (subject,) = statement.subject
    if subject != _resource(record.run_id, _document(plain["record"], plain["evidence"])):
        raise UnsoundError("the digest or name of its subject is not that of its evidence")
    if statement.predicate.configuration != _configuration(plain["record"]):
        raise UnsoundError("a digest of its configuration is not that of its plan, sheet or settings")


def _unlike(record: RunRecord) -> str | None:
    """Another version may keep settings in another way."""
    if fingerprint(record.sheet, record.snapshot) == record.fingerprint:
        return None
    return "its fingerprint is not that of its sheet and snapshot"


def _document(record: Mapping[str, Any], evidence: Mapping[str, Any]) -> object:
    """The evidence document: everything that the judge looks at."""
    return {"record": record, "evidence": evidence}


def _configuration(record: Mapping[str, Any]) -> tuple[Resource, ...]:
    named = [("plan", record["plan"])] + ([("sheet", record["sheet"])] if record["sheet"] else [])
    settings = Resource(name="settings", digest=Digest(sha256=record["fingerprint"]))
    return (*(_resource(f"{what} {body['name']}", body) for what, body in named), settings)


def _resource(name: str, document: object) -> Resource:
    return Resource(name=name, digest=Digest(sha256=digest(canonical(document))))


def _result(verdict: Verdict) -> Literal["PASSED", "FAILED"]:
    return "PASSED" if verdict.outcome == "pass" and not verdict.drill else "FAILED"


def _tests(predicate: Predicate) -> tuple[tuple[str, ...], ...]:
    return predicate.passed_tests, predicate.warned_tests, predicate.failed_tests


def _stages(verdict: Verdict) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    """Every stage of the plan in one of three lists: passed, warned, failed."""
    weights = {(reason.stage, reason.weight) for reason in verdict.reasons}
    passed, warned, failed = [], [], []
    for stage in verdict.evidence.stages:
        name = f"{stage.index + 1} {stage.name}"
        if stage.state != "complete" or stage.mismatches or (stage.index, "fail") in weights:
            failed.append(name)
        elif (stage.index, "inconclusive") in weights:
            warned.append(name)
        else:
            passed.append(name)
    return tuple(passed), tuple(warned), tuple(failed)


def _otherwise(signed: Verdict, again: Verdict, judged_by: str) -> str | None:
    """What the rules of this soakd make of it, where that is something else."""
    if signed == again:
        return None
    if signed.outcome != again.outcome:
        return f"soakd {judged_by} said {signed.outcome}, this one says {again.outcome}"
    what = "other reasons" if signed.reasons != again.reasons else "other notes"
    return f"soakd {judged_by} said {signed.outcome} as this one does, with {what}"
