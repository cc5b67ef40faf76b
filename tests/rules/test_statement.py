"""What is signed is a statement that others can read, and that can be judged again from itself alone."""

from __future__ import annotations

import copy
import json

import pytest
from run_parts import clean_run, found, record, sheet, totals, verdict
from test_judge import CASES

from soakd.model.run import RunRecord
from soakd.model.statement import Place
from soakd.model.verdict import Verdict
from soakd.rules.canonical import UnsoundError, canonical, digest
from soakd.rules.fingerprint import canonical_digest, fingerprint
from soakd.rules.statement import judged_again, link_of_unsigned, payload_of, statement_of

HERE = "0.1.0"
FIRST = Place(number=1, previous=None)


def own(about):
    """A record with the fingerprint that belongs to it."""
    return about.model_copy(update={"fingerprint": fingerprint(about.sheet, about.snapshot)})


def payload(about=None, events=None, *, place=FIRST, judged_by=HERE, **facts):
    about = own(about or record())
    return payload_of(statement_of(about, verdict(about, events, **facts), place, judged_by))


def changed(change, **parts):
    document = json.loads(payload(**parts))
    change(document)
    return canonical(document)


@pytest.mark.parametrize("case", CASES)
def test_whatever_was_judged_is_judged_alike_from_what_was_signed(case):
    about, events, facts, outcome, _ = CASES[case]
    again = judged_again(payload(about, events, **facts), HERE)
    assert again.otherwise is None
    assert again.verdict == verdict(own(about), events, **facts)
    assert again.verdict.outcome == outcome
    assert again.record == own(about)


def test_the_statement_has_in_toto_s_fields():
    """in-toto attestation specification: spec/v1/statement.md, spec/predicates/test-result.md (v0.1)."""
    about = own(record(sheet=sheet(name="Trial 4")))
    document = json.loads(payload(about))
    assert set(document) == {"_type", "subject", "predicateType", "predicate"}
    assert document["_type"] == "https://in-toto.io/Statement/v1"
    assert document["predicateType"] == "https://in-toto.io/attestation/test-result/v0.1"
    predicate = document["predicate"]
    assert set(predicate) == {"result", "configuration", "passedTests", "warnedTests", "failedTests", "soakd"}
    assert (predicate["result"], predicate["passedTests"]) == ("PASSED", ["1 Integer"])
    signed = {"record": predicate["soakd"]["record"], "evidence": predicate["soakd"]["evidence"]}
    assert document["subject"] == [{"name": about.run_id, "digest": {"sha256": canonical_digest(signed)}}]
    names = {each["name"]: each["digest"]["sha256"] for each in predicate["configuration"]}
    assert names == {
        "plan Trial": canonical_digest(about.model_dump(mode="json")["plan"]),
        "sheet Trial 4": canonical_digest(about.model_dump(mode="json")["sheet"]),
        "settings": about.fingerprint,
    }


def test_only_a_pass_that_is_no_drill_reads_as_one_to_those_who_know_no_more():
    """In-toto's monotonic principle: without our own field nobody may take something else for a pass."""
    drill = record(drill=True)
    asleep = [*clean_run(record()), found("suspended", "inconclusive", stage=0)]
    hot = [*clean_run(record()), found(stage=0)]
    shown = {
        "pass": payload(), "drill": payload(drill), "inconclusive": payload(events=asleep), "fail": payload(events=hot),
    }  # fmt: skip
    predicates = {name: json.loads(each)["predicate"] for name, each in shown.items()}
    assert {name: each["result"] for name, each in predicates.items()} == {
        "pass": "PASSED", "drill": "FAILED", "inconclusive": "FAILED", "fail": "FAILED",
    }  # fmt: skip
    assert predicates["inconclusive"]["warnedTests"] == ["1 Integer"]
    assert predicates["fail"]["failedTests"] == ["1 Integer"]


def test_more_operations_than_a_json_number_holds_are_signed_to_the_last_one():
    about = record()
    workers = [totals(core, operations=2**60 + core) for core in (0, 1)]
    events = [
        e if e.kind != "stage-ended" else e.model_copy(update={"workers": tuple(workers)}) for e in clean_run(about)
    ]
    again = judged_again(payload(about, events), HERE)
    assert again.verdict.evidence.stages[0].operations == 2**61 + 1
    assert again.otherwise is None


def put(document, path, value):
    *way, last = path
    for key in way:
        document = document[key]
    document[last] = value


SOAKD = ("predicate", "soakd")
UNSOUND = {
    "another outcome": ([((*SOAKD, "outcome"), "fail")], "result or its lists"),
    "another outcome and result": (
        [((*SOAKD, "outcome"), "fail"), (("predicate", "result"), "FAILED")],
        "does not follow from its evidence: soakd 0.1.0 said fail, this one says pass",
    ),
    "no notes": ([((*SOAKD, "notes"), [])], "said pass as this one does, with other notes"),
    "more stages passed": ([(("predicate", "passedTests"), ["1 Integer", "2 Vector"])], "result or its lists"),
    "another result": ([(("predicate", "result"), "FAILED")], "result or its lists"),
    "another subject": ([(("subject", 0, "name"), "other")], "name of its subject"),
    "another digest": ([(("subject", 0, "digest", "sha256"), "0" * 64)], "digest or name of its subject"),
    "other evidence": ([((*SOAKD, "evidence", "duration_s"), 9999)], "digest or name of its subject"),
    "another plan's digest": (
        [(("predicate", "configuration", 0, "digest", "sha256"), "0" * 64)], "digest of its configuration",
    ),
    "another type": ([(("_type",), "https://in-toto.io/Statement/v0.1")], "schema"),
    "another predicate": ([(("predicateType",), "https://slsa.dev/provenance/v1")], "schema"),
    "an unknown field": ([((*SOAKD, "more"), 1)], "schema is not that of a verdict: predicate.soakd.more"),
    "a number as text": ([((*SOAKD, "evidence", "duration_s"), "12")], "schema"),
    "a place that is none": ([((*SOAKD, "place", "number"), 0)], "schema"),
}  # fmt: skip


@pytest.mark.parametrize("case", UNSOUND)
def test_a_statement_that_does_not_hold_together_is_refused_whoever_signed_it(case):
    """As if the holder of the key had signed it."""
    changes, words = UNSOUND[case]

    def change(document):
        for path, value in changes:
            put(document, path, value)

    with pytest.raises(UnsoundError, match=words):
        judged_again(changed(change), HERE)


def test_settings_that_are_not_those_of_the_fingerprint_are_refused():
    about = record(fingerprint="f" * 64)
    with pytest.raises(UnsoundError, match="fingerprint is not that of its sheet"):
        judged_again(payload_of(statement_of(about, verdict(about), FIRST, HERE)), HERE)


def older(document):
    put(document, (*SOAKD, "judged_by"), "0.0.9")


def test_what_an_older_soakd_judged_otherwise_is_a_case_of_its_own():
    def change(document):
        older(document)
        put(document, (*SOAKD, "outcome"), "inconclusive")
        put(document, ("predicate", "result"), "FAILED")

    again = judged_again(changed(change), HERE)
    assert again.otherwise == "soakd 0.0.9 said inconclusive, this one says pass"
    assert again.verdict.outcome == "inconclusive"
    assert judged_again(changed(older), HERE).otherwise is None, "another version that says the same is no matter"


def test_fields_of_a_newer_soakd_are_told_and_their_digests_still_hold():
    def change(document):
        put(document, (*SOAKD, "judged_by"), "9.0.0")
        put(document, (*SOAKD, "evidence", "humidity_percent"), 40)

    with pytest.raises(UnsoundError, match="digest or name of its subject"):
        judged_again(changed(change), HERE)

    def signed(document):
        change(document)
        plain = document["predicate"]["soakd"]
        put(
            document,
            ("subject", 0, "digest", "sha256"),
            canonical_digest({k: plain[k] for k in ("record", "evidence")}),
        )

    assert "humidity_percent" in judged_again(changed(signed), HERE).otherwise


def test_what_an_older_soakd_did_not_write_yet_is_not_missed():
    """A field with a default that is not in the signed bytes: read as its default, digest over what is there."""

    def change(document):
        plain = document["predicate"]["soakd"]
        for gone in ("throttled", "limits", "cooling_s"):
            del plain["evidence"][gone]
        del plain["record"]["issue_order"]
        put(
            document,
            ("subject", 0, "digest", "sha256"),
            canonical_digest({k: plain[k] for k in ("record", "evidence")}),
        )

    again = judged_again(changed(change), HERE)
    assert again.otherwise is None
    assert again.verdict.evidence.limits == ()


def test_the_link_of_an_unsigned_verdict_names_its_text_and_its_place():
    body = '{"outcome": "pass"}'
    link = link_of_unsigned(Place(number=2, previous="a" * 64), body)
    assert link == canonical_digest({"number": 2, "previous": "a" * 64, "verdict": digest(body.encode())})
    others = [
        link_of_unsigned(Place(number=3, previous="a" * 64), body),
        link_of_unsigned(Place(number=2, previous=None), body),
        link_of_unsigned(Place(number=2, previous="a" * 64), body + " "),
    ]
    assert link not in others


def test_what_comes_out_of_a_statement_is_what_the_journal_keeps():
    about = own(record())
    again = judged_again(payload(about), HERE)
    assert Verdict.model_validate_json(verdict(about).model_dump_json()) == again.verdict
    assert RunRecord.model_validate_json(about.model_dump_json()) == again.record
    assert copy.deepcopy(again.verdict) == again.verdict
