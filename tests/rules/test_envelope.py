"""The envelope: DSSE's own test vectors, and one spelling only."""

from __future__ import annotations

import base64
import json

import pytest
import rfc8785

from soakd.model.statement import PAYLOAD_TYPE
from soakd.rules.canonical import UnsoundError, canonical, digest, read_strictly
from soakd.rules.envelope import opened, pae, sealed, signed_bytes

IN_TOTO = b'{"_type":"https://in-toto.io/Statement/v1"}'
SIGNATURE = bytes(range(64))
KEYID = "ab" * 32
TEXT = sealed(IN_TOTO, KEYID, SIGNATURE).encode()

# github.com/secure-systems-lab/dsse, protocol.md version 1.0.0 ("Test Vectors"), and testvectors/vectors.json.
PUBLISHED = {
    "protocol.md": (
        "http://example.com/HelloWorld", b"hello world", b"DSSEv1 29 http://example.com/HelloWorld 11 hello world",
    ),
    "single-signature": (
        "application/vnd.in-toto+json", IN_TOTO,
        bytes.fromhex(
            "445353457631203238206170706c69636174696f6e2f766e642e696e2d746f746f2b6a736f6e203433207b225f74797065223a22"
            "68747470733a2f2f696e2d746f746f2e696f2f53746174656d656e742f7631227d"
        ),
    ),
    "url-safe-base64": (
        "application/vnd.in-toto+json", base64.urlsafe_b64decode("-_-_Pj8="),
        bytes.fromhex("445353457631203238206170706c69636174696f6e2f766e642e696e2d746f746f2b6a736f6e203520fbffbf3e3f"),
    ),
    "non-ascii-payload-type": (
        "application/vnd.exämple+json", IN_TOTO,
        bytes.fromhex(
            "445353457631203239206170706c69636174696f6e2f766e642e6578c3a46d706c652b6a736f6e203433207b225f74797065223a"
            "2268747470733a2f2f696e2d746f746f2e696f2f53746174656d656e742f7631227d"
        ),
    ),
    "empty-payload": (
        "application/vnd.in-toto+json", b"",
        bytes.fromhex("445353457631203238206170706c69636174696f6e2f766e642e696e2d746f746f2b6a736f6e203020"),
    ),
    "empty-payload-type": (
        "", IN_TOTO,
        bytes.fromhex(
            "445353457631203020203433207b225f74797065223a2268747470733a2f2f696e2d746f746f2e696f2f53746174656d656e742f"
            "7631227d"
        ),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", PUBLISHED)
def test_what_is_signed_is_the_published_encoding(name):
    kind, body, wanted = PUBLISHED[name]
    assert pae(kind, body) == wanted


def test_a_statement_is_signed_as_in_toto_s_media_type():
    """in-toto attestation specification, spec/v1/envelope.md."""
    assert PAYLOAD_TYPE == "application/vnd.in-toto+json"
    assert signed_bytes(IN_TOTO) == PUBLISHED["single-signature"][2]


def test_the_envelope_is_dsse_s_and_opens_again():
    assert json.loads(TEXT) == {
        "payload": base64.b64encode(IN_TOTO).decode(),
        "payloadType": "application/vnd.in-toto+json",
        "signatures": [{"keyid": KEYID, "sig": base64.b64encode(SIGNATURE).decode()}],
    }
    parts = opened(TEXT)
    assert (parts.payload, parts.keyid, parts.signature) == (IN_TOTO, KEYID, SIGNATURE)


def changed(**parts):
    return rfc8785.dumps({**json.loads(TEXT), **parts})


SIG = json.loads(TEXT)["signatures"][0]
PAYLOAD = json.loads(TEXT)["payload"]
REFUSED = {
    "nothing": (b"", "not JSON"),
    "no UTF-8": (b"\xff" + TEXT, "not UTF-8"),
    "a byte order mark": (b"\xef\xbb\xbf" + TEXT, "not JSON"),
    "no object": (b"[]", "no signed verdict"),
    "a number that is none": (b'{"payload":NaN}', "no JSON number"),
    "a number beyond all": (b'{"payload":1e999}', "no canonical form"),
    "nested without end": (b"[" * 200_000, "not JSON"),
    "half a surrogate pair": (b'{"payload":"\\ud800"}', "no canonical form"),
    "something after it": (TEXT + b" ", "not in canonical form"),
    "a second document after it": (TEXT + TEXT, "not JSON"),
    "something before it": (b"\n" + TEXT, "not in canonical form"),
    "spaces": (TEXT.replace(b'":"', b'": "', 1), "not in canonical form"),
    "an escape for a letter": (TEXT.replace(b"payloadType", b"payloadTyp\\u0065"), "not in canonical form"),
    "another letter that looks alike": (TEXT.replace(b"payloadType", "рayloadType".encode()), "not in canonical form"),
    "keys in another order": (b'{"signatures":[],"payload":""}', "not in canonical form"),
    "a key twice": (TEXT.replace(b"{", b'{"payload":"AA==",', 1), "'payload' stands twice"),
    "a key of the signature twice": (
        TEXT.replace(b'{"keyid"', b'{"keyid":"x","keyid"'), "'keyid' stands twice",
    ),
    "another key": (changed(more=1), "more: extra inputs"),
    "a key missing": (rfc8785.dumps({"payload": PAYLOAD, "signatures": [SIG]}), "payloadtype: field required"),
    "another payload type": (changed(payloadType="application/json"), "payloadtype"),
    "no signature": (changed(signatures=[]), "signatures"),
    "two signatures": (changed(signatures=[SIG, SIG]), "signatures"),
    "a key id of another form": (changed(signatures=[{**SIG, "keyid": KEYID.upper()}]), "keyid"),
    "the other alphabet of base64": (changed(payload="-_-_Pj8="), "payload is not base64"),
    "two spare bits set": (changed(payload="AAB="), "one canonical spelling"),
    "four spare bits set": (changed(payload="AB=="), "one canonical spelling"),
    "no padding": (changed(payload="AA"), "not base64"),
    "too much padding": (changed(payload="AA==="), "base64"),
    "a line feed inside base64": (changed(payload=PAYLOAD[:4] + "\n" + PAYLOAD[4:]), "not base64"),
    "a letter that is no ASCII in base64": (changed(payload="ÄA=="), "not base64"),
    "a signature that is not base64": (changed(signatures=[{**SIG, "sig": "*"}]), "signature is not base64"),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_anything_but_the_one_spelling_is_refused_with_the_reason(case):
    text, words = REFUSED[case]
    with pytest.raises(UnsoundError) as refusal:
        opened(text)
    assert words in str(refusal.value).replace("payloadType", "payloadtype")
    assert "\n" not in str(refusal.value)


def test_whole_numbers_beyond_what_everybody_reads_alike_become_text():
    """RFC 8785 appendix D; 2^53 - 1 is the largest that IEEE 754 doubles hold without a gap (RFC 7493 section 2.2)."""
    assert canonical({"a": [2**53 - 1, 2**53, -(2**53)], "b": True}) == (
        b'{"a":[9007199254740991,"9007199254740992","-9007199254740992"],"b":true}'
    )


def test_reading_strictly_gives_back_what_was_canonical():
    document = {"a": [1, 1.5, "ü", None, True], "b": {}}
    assert read_strictly(canonical(document)) == document


def test_the_digest_is_sha_256():
    """FIPS 180-4, NIST example "abc"."""
    assert digest(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
