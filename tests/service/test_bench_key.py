"""The bench key: RFC 8032's vectors through our own hands, made once, for its owner alone, never replaced unasked."""

from __future__ import annotations

import base64
import hashlib
import os
import stat

import pytest
from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, generate_private_key
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat, PublicFormat
from rules.run_parts import record
from trust_parts import Bench

from soakd.errors import BenchKeyError, UsageError
from soakd.rules.envelope import signed_bytes
from soakd.service.bench_key import BenchKey, PublicKey, keys_of_bench, public_key
from soakd.service.check_key import bench_key
from soakd.service.home import Home
from soakd.store.journal import Journal
from soakd.store.writer import Writer

# RFC 8032 section 7.1: secret key, public key, message, signature.
RFC_8032 = {
    "TEST 1": (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        (
            "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24"
            "655141438e7a100b"
        ),
    ),
    "TEST 2": (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        (
            "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aee"
            "b00d291612bb0c00"
        ),
    ),
    "TEST 3": (
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        (
            "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28d"
            "c027beceea1ec40a"
        ),
    ),
}
SPKI = bytes.fromhex("302a300506032b6570032100")
"""What comes before the 32 bytes of an Ed25519 public key in DER (RFC 8410 section 10.1)."""


CURVE = generate_private_key(SECP256R1())
"""A key of another kind."""


def stored(path, secret):
    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret))
    path.write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    path.chmod(0o600)
    return BenchKey(path)


@pytest.mark.parametrize("name", RFC_8032)
def test_signatures_are_those_of_rfc_8032(name, tmp_path):
    secret, public, message, signature = RFC_8032[name]
    signed = stored(tmp_path / "bench.key", secret).sign(bytes.fromhex(message))
    assert signed.signature.hex() == signature
    assert signed.keyid == hashlib.sha256(SPKI + bytes.fromhex(public)).hexdigest()
    reads = public_key(signed.public.encode(), "it")
    assert reads.keyid == signed.keyid
    assert reads.verifies(bytes.fromhex(signature), bytes.fromhex(message))
    for bit in range(0, 512, 7):
        wrong = bytearray.fromhex(signature)
        wrong[bit // 8] ^= 1 << bit % 8
        assert not reads.verifies(bytes(wrong), bytes.fromhex(message))
    assert not reads.verifies(bytes.fromhex(signature), bytes.fromhex(message) + b"\0")
    assert not reads.verifies(b"", bytes.fromhex(message))


def test_a_statement_is_signed_as_dsse_s_own_test_vector_has_it(tmp_path):
    """github.com/secure-systems-lab/dsse, testvectors/vectors.json, `single-signature`: key A is RFC 8032's TEST 1."""
    key = stored(tmp_path / "bench.key", RFC_8032["TEST 1"][0])
    body = b'{"_type":"https://in-toto.io/Statement/v1"}'
    published = "2WAfaHm5jluo0w+0rk8uVkluELJYWjSmU9x7EUzx+AyteDGJ4/nqyJXfmAUVFIAoQafWm7AxBZNw5M9ixNHiCA=="
    assert base64.b64encode(key.sign(signed_bytes(body)).signature).decode() == published


def test_the_first_start_makes_a_key_that_its_owner_alone_can_read(tmp_path):
    bench = Bench(tmp_path / "state")
    assert not bench.home.key.exists()
    bench.judge(1)
    shape = bench.home.key.stat()
    assert stat.S_IMODE(shape.st_mode) == 0o600
    first = bench.home.key.read_bytes()
    bench.judge(2)
    assert bench.home.key.read_bytes() == first, "made once"
    assert not list(bench.home.folder.glob("*.new"))


def test_a_key_whose_making_was_cut_off_is_no_key(tmp_path):
    """Killed between the first byte and the rename: half a file lies beside it; the next start makes a whole one."""
    bench = Bench(tmp_path / "state")
    (bench.home.folder / "bench.new").write_text("-----BEGIN PRIV")
    bench.judge(1)
    assert bench.check().state == "verified"


def spoil(path, how):
    """In one of the ways in which a key becomes unusable."""
    if how == "open":
        path.chmod(0o640)
        return
    body = path.read_bytes()
    path.unlink()
    if how == "cut off":
        path.write_bytes(body[:60])
        path.chmod(0o600)
    elif how == "of another kind":
        path.write_bytes(CURVE.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
        path.chmod(0o600)
    elif how == "a link":
        (path.parent / "elsewhere").write_bytes(body)
        path.symlink_to("elsewhere")
    elif how == "a folder":
        path.mkdir(mode=0o700)
    elif how == "a pipe":
        os.mkfifo(path, 0o600)


SPOILT = {
    "lost": "is lost",
    "open": "is open to others (mode 0640) and is not used",
    "cut off": "is damaged",
    "of another kind": "is damaged: it holds no Ed25519 key",
    "a link": "cannot be read",
    "a folder": "no ordinary file",
    "a pipe": "no ordinary file",
}


@pytest.mark.parametrize("how", SPOILT)
def test_a_key_that_cannot_be_used_is_named_by_the_doctor_and_the_run_and_never_replaced(how, tmp_path):
    bench = Bench(tmp_path / "state", 1)
    spoil(bench.home.key, how)
    before = os.lstat(bench.home.key).st_ino if how != "lost" else None
    (said,) = bench_key(bench.home)
    assert said.state == "weak"
    assert SPOILT[how] in said.text
    assert "soakd verdict key --new" in said.remedy or "own it" in said.remedy
    bench.judge(2)
    assert (os.lstat(bench.home.key).st_ino if how != "lost" else None) == before
    assert how != "lost" or not bench.home.key.exists()
    first, second = bench.check().verdicts
    assert (first.state, second.state) == ("verified", "unsigned")
    assert SPOILT[how] in second.text
    writer = Writer(bench.home.journal)
    (body,) = (each[0] for each in writer.read("record_of_run", "run-0002"))
    writer.close()
    assert "this verdict will not be signed: the bench key" in body, "it is a caution of the run, before it starts"


def test_without_any_verdict_a_lost_key_is_simply_made(tmp_path):
    bench = Bench(tmp_path / "state", 1, signed=False)
    assert [check.text for check in bench_key(bench.home)] == ["none yet; the first run makes one"]
    bench.judge(2)
    assert [each.state for each in bench.check().verdicts] == ["unsigned", "verified"]
    (said,) = bench_key(bench.home)
    assert (said.state, said.text) == ("good", f"{bench.key.public().keyid[:16]}…")


def test_a_new_key_signs_from_then_on_and_what_was_signed_before_stays_verified(tmp_path):
    bench = Bench(tmp_path / "state", 1)
    old = bench.key.public()
    bench.home.key.unlink()
    bench.key.renew()
    assert stat.S_IMODE(bench.home.key.stat().st_mode) == 0o600
    bench.judge(2)
    new = bench.key.public()
    assert [key.keyid for key in keys_of_bench(bench.home)] == [new.keyid, old.keyid]
    found = bench.check()
    assert found.state == "verified"
    assert [each.keyid for each in found.verdicts] == [old.keyid, new.keyid]
    assert f"an earlier key, {old.keyid[:16]}" in found.verdicts[0].text
    (said,) = bench_key(bench.home)
    assert said.text.endswith("; 1 earlier ones signed verdicts here")


def test_a_key_that_cannot_be_made_costs_the_signature_and_not_the_run(tmp_path):
    home = Home(tmp_path / "state")
    home.make()
    writer = Writer(home.journal)
    nowhere = BenchKey(tmp_path / "no folder" / "bench.key")
    (caution,) = Journal(writer, nowhere).ready_to_sign()
    writer.close()
    assert caution.startswith("this verdict will not be signed: the bench key")
    with pytest.raises(BenchKeyError, match="lost"):
        nowhere.sign(b"")


@pytest.mark.parametrize(
    ("pem", "words"),
    [
        (b"", "no Ed25519 public key"),
        (b"-----BEGIN PUBLIC KEY-----\nAAAA\n-----END PUBLIC KEY-----\n", "no Ed25519 public key"),
        (
            generate_private_key(SECP256R1())
            .public_key()
            .public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo),
            "no Ed25519 public key",
        ),
        (
            Ed25519PrivateKey.generate().private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()),
            "is a private key",
        ),
    ],
    ids=["nothing", "no key", "another kind", "private"],
)
def test_what_is_no_public_key_is_refused(pem, words):
    with pytest.raises(UsageError, match=words):
        public_key(pem, "bench.pem")


def test_a_run_without_a_signer_says_that_nothing_was_there(tmp_path):
    home = Home(tmp_path / "state")
    home.make()
    writer = Writer(home.journal)
    journal = Journal(writer)
    assert journal.ready_to_sign() == ()
    journal.begin(record())
    writer.close()


def test_the_key_id_is_the_public_key_s_alone():
    keys = [PublicKey(Ed25519PrivateKey.generate().public_key()) for _ in range(4)]
    assert len({key.keyid for key in keys}) == 4
    assert all(public_key(key.pem.encode(), "it").keyid == key.keyid for key in keys)
