"""No byte of a verdict, and no verdict of the ledger, is changed, moved, added or taken out unnoticed."""

from __future__ import annotations

import base64
import json
import os
import random
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
import rfc8785
from trust_parts import Bench, payload_of, run_of, spelt, verdict_of, with_payload

from soakd.service.verifying import Verifier
from soakd.store.chain import Chain, verdict_row
from soakd.store.ledger import Ledger
from soakd.store.retention import Retention
from soakd.store.writer import Writer

RUNS = 5


@pytest.fixture
def bench(tmp_path):
    return Bench(tmp_path / "state", RUNS)


@pytest.fixture(scope="module")
def signed(tmp_path_factory):
    """One bench for whoever only looks: its verifier, and one verdict as it was exported."""
    made = Bench(tmp_path_factory.mktemp("signed") / "state", 2)
    return made, Verifier([made.key.public()]), made.exported()


def refusal(verifier, raw):
    found = verifier.file(raw, "it")
    assert found.state == "refused"
    assert found.text
    assert "\n" not in found.text
    return found.text


def test_a_verdict_as_it_was_signed_is_verified(signed):
    bench, verifier, raw = signed
    found = verifier.file(raw, "v.json")
    assert (found.state, found.run_id, found.number, found.outcome) == ("verified", "run-0002", 2, "fail")
    assert found.keyid == bench.key.public().keyid


def test_a_changed_byte_anywhere_is_refused(signed):
    """A sample of places, four other values at each; all of them is what the benchmark is for."""
    _, verifier, raw = signed
    chance = random.Random(7)
    places = sorted({*range(40), *range(len(raw) - 200, len(raw)), *chance.sample(range(len(raw)), 200)})
    for place in places:
        for value in chance.sample([v for v in range(256) if v != raw[place]], 4):
            refusal(verifier, raw[:place] + bytes([value]) + raw[place + 1 :])


def test_a_byte_more_or_less_is_refused(signed):
    _, verifier, raw = signed
    chance = random.Random(8)
    for place in [*chance.sample(range(len(raw)), 100), 0, len(raw) - 1]:
        refusal(verifier, raw[:place] + raw[place + 1 :])
        refusal(verifier, raw[:place] + bytes([chance.randrange(256)]) + raw[place:])
    for length in [0, 1, len(raw) // 2, len(raw) - 1]:
        refusal(verifier, raw[:length])
    for more in (b"\n", b" ", b"\0", b"{}\n", raw):
        refusal(verifier, raw + more)
    refusal(verifier, raw.replace(b"\n", b"\r\n"))


def test_the_same_statement_in_another_spelling_is_refused(signed):
    _, verifier, raw = signed
    envelope = json.loads(raw)
    body = base64.b64decode(envelope["payload"])
    for text in (
        json.dumps(envelope, indent=2).encode() + b"\n",
        spelt({**envelope, "payload": base64.urlsafe_b64encode(b"\xff" + body).decode()}),
        with_payload(raw, body + b" "),
        with_payload(raw, json.dumps(json.loads(body)).encode()),
        with_payload(raw, body.replace(b'"outcome":"fail"', b'"outcome":"pass","outcome":"fail"')),
    ):
        refusal(verifier, text)


def test_other_words_under_the_same_signature_are_refused(signed):
    _, verifier, raw = signed
    body = base64.b64decode(json.loads(raw)["payload"])
    for old, new in ((b'"fail"', b'"pass"'), (b"Trial 2", b"Trial 3"), (b"Trial 2", "Тrial 2".encode())):
        changed = body.replace(old, new)
        assert changed != body
        assert "signature does not fit" in refusal(verifier, with_payload(raw, changed))


def test_a_signature_of_another_key_is_refused(signed, tmp_path):
    bench, verifier, raw = signed
    other = Bench(tmp_path / "other", 2)
    theirs = other.exported()
    assert "not the key that it is verified with" in refusal(verifier, theirs)
    (mine,), (foreign,) = (json.loads(each)["signatures"] for each in (raw, theirs))
    envelope = json.loads(raw)
    assert "signature does not fit" in refusal(
        verifier, spelt({**envelope, "signatures": [{**foreign, "keyid": mine["keyid"]}]})
    )
    assert "two" not in refusal(verifier, spelt({**envelope, "signatures": [mine, foreign]}))
    claimed = spelt({**json.loads(theirs), "signatures": [{**foreign, "keyid": mine["keyid"]}]})
    assert "signature does not fit" in refusal(verifier, claimed)
    assert bench.verifier().file(raw, "it").state == "verified"


def test_whoever_has_the_key_still_cannot_sign_an_outcome_that_does_not_follow(signed):
    bench, verifier, raw = signed
    document = payload_of(raw)
    document["predicate"]["soakd"]["outcome"] = "pass"
    document["predicate"]["soakd"]["reasons"] = []
    document["predicate"].update(result="PASSED")
    from soakd.rules.envelope import sealed, signed_bytes

    body = rfc8785.dumps(document)
    made = bench.key.sign(signed_bytes(body))
    text = refusal(verifier, sealed(body, made.keyid, made.signature).encode() + b"\n")
    assert text.startswith("its outcome does not follow from its evidence: soakd")
    assert text.endswith("said pass, this one says fail")


def command(*arguments, home):
    done = subprocess.run(
        [sys.executable, "-m", "soakd.cli.main", "verdict", *map(str, arguments)],
        env={**os.environ, "SOAKD_HOME": str(home)}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    return done.returncode, done.stdout, done.stderr


def test_another_machine_needs_the_file_and_the_public_key_and_nothing_else(signed, tmp_path):
    bench, _, raw = signed
    file, pem, nowhere = tmp_path / "verdict.json", tmp_path / "bench.pem", tmp_path / "nowhere"
    assert command("export", "last", "-o", file, home=bench.home.folder) == (0, "", "")
    assert file.read_bytes() == raw
    code, shown, _ = command("key", home=bench.home.folder)
    assert (code, shown) == (0, bench.key.public().pem)
    pem.write_text(shown)
    code, out, err = command("verify", file, "--key", pem, "--json", home=nowhere)
    assert (code, err, json.loads(out)["state"]) == (0, "", "verified")
    code, _, err = command("verify", file, home=nowhere)
    assert (code, err.splitlines()[0]) == (2, "soakd: this bench has no key to verify with")
    file.write_bytes(raw.replace(b"A", b"B", 1))
    code, out, _ = command("verify", file, "--key", pem, home=nowhere)
    assert (code, len(out.splitlines())) == (1, 1)
    assert f"{file}: refused: the signature does not fit" in out
    assert not nowhere.exists()


def test_the_whole_ledger_is_verified_with_its_newest_link(bench):
    found = bench.check()
    assert (found.state, len(found.verdicts)) == ("verified", RUNS)
    assert [each.number for each in found.verdicts] == list(range(1, RUNS + 1))
    code, out, _ = command("verify", "--all", home=bench.home.folder)
    assert (code, out) == (0, f"{RUNS} verdicts: {RUNS} verified; newest link {found.head}\n")


def test_a_newest_link_that_was_kept_shows_that_the_end_was_cut_off(bench):
    kept = bench.check().head
    bench.judge(RUNS + 1)
    code, _, _ = command("verify", "--all", "--since", kept, home=bench.home.folder)
    assert code == 0
    bench.by_hand(*taken_out(RUNS + 1))
    assert bench.check().state == "verified", "the chain alone cannot tell"
    assert bench.check().head == kept
    code, out, _ = command("verify", "--all", home=bench.home.folder)
    assert code == 1, "the note beside the journal can"
    assert "it was the newest, and is not in the chain" in out
    (bench.home.folder / "newest-link").unlink()
    assert command("verify", "--all", home=bench.home.folder)[0] == 0
    bench.by_hand(*taken_out(RUNS))
    code, out, _ = command("verify", "--all", "--since", kept, home=bench.home.folder)
    assert code == 1
    assert out.startswith(f"link {kept[:16]}…: refused: it was the newest, and is not in the chain")


def taken_out(number):
    return [f"DELETE FROM {table} WHERE run_id = 'run-{number:04d}'" for table in ("chain", "verdict", "run")]


def moved(one, other):
    """Two verdicts change places, with everything that belongs to them."""
    change = "UPDATE chain SET number = {} WHERE number = {}"
    return [change.format(99, one), change.format(one, other), change.format(other, 99)]


BY_HAND = {
    "one taken out": (taken_out(3), "number 3", "taken out of the ledger"),
    "two taken out": ([*taken_out(3), *taken_out(2)], "numbers 2 to 3", "taken out of the ledger"),
    "one put where nobody counts": (
        ["PRAGMA ignore_check_constraints = ON", "UPDATE chain SET number = -5 WHERE number = 5"],
        "run-0005", "no place in the chain",
    ),
    "one put far away": (["UPDATE chain SET number = 9000000000 WHERE number = 5"], "run-0005", "signed as number 5"),
    "one taken out, the numbers closed up": (
        [*taken_out(3), "UPDATE chain SET number = number - 1 WHERE number > 3"], "run-0004", "signed as number 4",
    ),
    "the first taken out": (taken_out(1), "number 1", "taken out of the ledger"),
    "the last taken out, its run left": (taken_out(5)[:2], "run-0005", "is finished and its verdict is not there"),
    "only its verdict taken out": (["DELETE FROM verdict WHERE run_id = 'run-0002'"], "run-0002", "taken out"),
    "only its place taken out": (["DELETE FROM chain WHERE number = 5"], "run-0005", "no place in the chain"),
    "two in another order": (moved(2, 3), "run-0003", "signed as number 3"),
    "an outcome in the listing": (
        ["UPDATE verdict SET outcome = 'pass' WHERE run_id = 'run-0002'"], "run-0002", "shows something else",
    ),
    "an outcome in the text": (
        ["UPDATE verdict SET body = replace(body, '\"fail\"', '\"pass\"') WHERE run_id = 'run-0002'"],
        "run-0002", "shows something else",
    ),
    "a text that is none": (["UPDATE verdict SET body = '{' WHERE run_id = 'run-0002'"], "run-0002", "something else"),
    "a record": (
        ["UPDATE run SET record = replace(record, 'Trial 2', 'Trial 9') WHERE run_id = 'run-0002'"],
        "run-0002", "record is not the one that was signed",
    ),
    "a link": ([f"UPDATE chain SET link = '{'0' * 64}' WHERE number = 5"], "run-0005", "changed, moved or taken out"),
    "the envelope of another": (
        ["UPDATE chain SET envelope = (SELECT envelope FROM chain WHERE number = 4) WHERE number = 3"],
        "run-0003", "the signature beside it is that of run run-0004",
    ),
    "a signature taken away": (
        ["UPDATE chain SET envelope = NULL, unsigned = 'no key' WHERE number = 3"],
        "run-0003", "changed, moved or taken out",
    ),
    "a signature taken away, with another link": (
        ["UPDATE chain SET envelope = NULL, unsigned = 'no key', link = NULL WHERE number = 3"],
        "run-0004", "changed, moved or taken out",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", BY_HAND)
def test_what_is_done_to_the_ledger_by_hand_shows_with_the_place(case, bench):
    statements, what, words = BY_HAND[case]
    bench.by_hand(*statements)
    found = bench.check()
    assert found.state == "refused"
    refused = {each.what: each.text for each in found.verdicts if each.state == "refused"}
    assert what in refused
    assert words in refused[what]


def test_a_verdict_that_was_taken_out_is_told_once_and_by_its_name_too(bench):
    bench.by_hand("DELETE FROM verdict WHERE run_id = 'run-0005'")
    assert [each.what for each in bench.check().verdicts if each.state == "refused"] == ["run-0005"]
    code, _, err = command("show", "run-0005", home=bench.home.folder)
    assert code != 0
    assert "verdict run-0005 was taken out of the ledger" in err
    assert "no verdict 'run-0009'" in command("show", "run-0009", home=bench.home.folder)[2]


def test_the_listing_marks_what_is_not_signed(tmp_path):
    made = Bench(tmp_path, runs=1, signed=False)
    made.judge(2)
    made.judge(3)
    lines = command("list", home=tmp_path)[1].splitlines()
    assert [(line.split()[0], "(unsigned)" in line) for line in lines] == [
        ("run-0003", False), ("run-0002", False), ("run-0001", True),
    ]  # fmt: skip


def test_a_verdict_of_another_ledger_in_the_same_place_shows(bench, tmp_path):
    other = Bench(tmp_path / "other")
    other.home.key.write_bytes(bench.home.key.read_bytes())
    other.home.key.chmod(0o600)
    for number in (1, 4, 3):
        other.judge(number)
    theirs = other.home.journal
    bench.by_hand(
        f"ATTACH '{theirs}' AS theirs",
        "UPDATE chain SET (link, envelope) = (SELECT link, envelope FROM theirs.chain WHERE run_id = 'run-0003') "
        "WHERE run_id = 'run-0003'",
    )
    refused = [each for each in bench.check().verdicts if each.state == "refused"]
    assert [each.what for each in refused] == ["run-0003", "run-0004"], "it, and the one that names the link before it"
    assert "what stood before it" in refused[0].text


def test_another_bench_s_whole_ledger_is_refused_with_this_bench_s_key(bench, tmp_path):
    other = Bench(tmp_path / "other", 2)
    assert [each.state for each in bench.check(Verifier([other.key.public()])).verdicts] == ["refused"] * RUNS


def test_verdicts_from_before_are_unsigned_and_never_wrong_and_the_first_signature_vouches_for_them(tmp_path):
    bench = Bench(tmp_path / "state", 3)
    later = ("TABLE chain", "TABLE bench_key", "TABLE IF EXISTS trial", "INDEX IF EXISTS verdict_by_sheet")
    bench.by_hand("DELETE FROM chain", *(f"DROP {each}" for each in later), "PRAGMA user_version = 4")
    with closing(Ledger(bench.home.journal)) as ledger:
        assert not Chain(ledger).exists()
    code, _, err = command("verify", "last", home=bench.home.folder)
    assert (code, "no verdict here has been signed yet" in err) == (2, True)
    for number in (4, 5):
        bench.judge(number)
    found = bench.check()
    assert [each.state for each in found.verdicts] == ["unsigned"] * 3 + ["verified"] * 2
    assert "before verdicts were signed" in found.verdicts[0].text
    code, out, _ = command("verify", "--all", home=bench.home.folder)
    assert code == 10
    assert "2 verified, 3 unsigned" in out
    bench.by_hand("UPDATE verdict SET body = replace(body, 'Trial 2', 'Trial 9') WHERE run_id = 'run-0002'")
    refused = [each.what for each in bench.check().verdicts if each.state == "refused"]
    assert refused == ["run-0004"], "it was signed over the three before it"


def test_an_unsigned_verdict_is_not_exported_and_says_why(tmp_path):
    bench = Bench(tmp_path / "state", 1, signed=False)
    code, out, err = command("export", "last", home=bench.home.folder)
    assert (code, out) == (2, "")
    assert "is unsigned: nothing was there to sign it with" in err
    code, out, _ = command("verify", "last", home=bench.home.folder)
    assert (code, out) == (10, "run-0001: unsigned: nothing was there to sign it with\n")


def test_thinned_readings_are_no_change_of_a_verdict(bench):
    """Retention touches ticks alone: evidence and verdict were made from all of them and stay."""
    writer = Writer(bench.home.journal)
    for number in range(100):
        writer.write([("insert_tick", ("run-0001", number, float(number), 0.0, 0, b"\0" * 12, None, None))])
    steps = list(Retention(writer).steps("2027-01-01T00:00:00.000Z", "2027-01-01T00:00:00.000Z"))
    writer.close()
    assert any(step.after < step.before for step in steps)
    assert bench.check().state == "verified"


def test_a_writer_that_is_killed_leaves_a_whole_chain(tmp_path):
    """SIGKILL at some point of a stream of runs: every finished run has its verdict, and each its signature."""
    script = """
import sys
sys.path.insert(0, sys.argv[2])
from pathlib import Path
from trust_parts import Bench
bench = Bench(Path(sys.argv[1]))
for number in range(1, 10_000):
    bench.judge(number)
    print(number, flush=True)
"""
    folder, tests = tmp_path / "state", str(Path(__file__).parents[1])
    arguments = [sys.executable, "-c", script, str(folder), tests]
    with subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True) as writer:
        confirmed = [int(writer.stdout.readline()) for _ in range(15)]
        writer.kill()
        confirmed += [int(line) for line in writer.stdout if line.endswith("\n")]
    bench = Bench(folder)
    found = bench.check()
    assert found.state == "verified"
    assert len(found.verdicts) in {len(confirmed), len(confirmed) + 1}
    bench.judge(10_000)
    assert bench.check().state == "verified"


def test_the_listing_is_made_from_the_verdict_alone():
    about = run_of(2)
    row = verdict_row(verdict_of(about, 2))
    assert row == ("run-0002", "2026-01-01T00:00:00.000Z", "Trial", "Trial 2", "fail", "too hot", about.fingerprint, 0)


def test_one_verdict_is_asked_for_by_name_or_all_of_them(tmp_path):
    for arguments in ((), ("last", "--all")):
        code, _, err = command("verify", *arguments, home=tmp_path)
        assert (code, "either one verdict, or --all" in err) == (2, True)
    code, _, err = command("verify", tmp_path / "gone.json", home=tmp_path)
    assert (code, "there is no file" in err) == (2, True)
