"""The fingerprint is SHA-256 (FIPS 180-4) over canonical JSON (RFC 8785), and stands for the settings alone."""

from __future__ import annotations

import hashlib
import json
import math
import struct
from pathlib import Path

import pytest
import rfc8785
from run_parts import sheet, snapshot

from soakd.config.files import load_sheet
from soakd.model.snapshot import Snapshot
from soakd.rules.fingerprint import canonical_digest, fingerprint, settings_changed

# Test data of the RFC author's repository, github.com/cyberphone/json-canonicalization, testdata/: the digest is that
# of the published output file.
PUBLISHED = {
    "arrays": (
        '[56, {"d": true, "10": null, "1": []}]',
        "099601b171cafed97c333f8878d68e7f8c8f795412adb34b2fdcf0e7c7beac42",
    ),
    "french": (
        """{"peach": "This sorting order", "péché": "is wrong according to French",
        "pêche": "but canonicalization MUST", "sin": "ignore locale"}""",
        "d99d0ebdcb0033cb858cfa830ae46bc0fb3309413b271f1da828c89901a27ed5",
    ),
    "structures": (
        """{"1": {"f": {"f": "hi", "F": 5}, "\\n": 56.0}, "10": {}, "": "empty", "a": {},
        "111": [{"e": "yes", "E": "no"}], "A": {}}""",
        "605f65004ec2db7692522a0852c22f1c989e036d547e88963d1a3143cf3195d5",
    ),
    "unicode": (
        '{"Unnormalized Unicode": "A\\u030a"}',
        "0d99aad92a125196ff887876643fd3206786a84ddce2cee52ba4ad256d2381d3",
    ),
    "values": (
        """{"numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
        "string": "\\u20ac$\\u000F\\u000aA'\\u0042\\u0022\\u005c\\\\\\"\\/", "literals": [null, true, false]}""",
        "2d5e01a318d0f0879ab568c4be289c8b1f64ef8921a53c6277d5e069978baacb",
    ),
    "weird": (
        """{"\\u20ac": "Euro Sign", "\\r": "Carriage Return", "\\u000a": "Newline", "1": "One",
        "\\u0080": "Control\\u007f", "\\ud83d\\ude02": "Smiley", "\\u00f6": "Latin Small Letter O With Diaeresis",
        "\\ufb33": "Hebrew Letter Dalet With Dagesh", "</script>": "Browser Challenge"}""",
        "6af595a9aa80110b964b4de3f82a05fa6ae7423005019bacfa2620dddc4e94d1",
    ),
}

# RFC 8785 appendix B, and the same repository's number samples: IEEE 754 bit pattern to text.
NUMBERS = {
    "0000000000000000": "0",
    "8000000000000000": "0",
    "0000000000000001": "5e-324",
    "7fefffffffffffff": "1.7976931348623157e+308",
    "4340000000000000": "9007199254740992",
    "4430000000000000": "295147905179352830000",
    "44b52d02c7e14af6": "1e+23",
    "444b1ae4d6e2ef4f": "999999999999999900000",
    "444b1ae4d6e2ef50": "1e+21",
    "3eb0c6f7a0b5ed8c": "9.999999999999997e-7",
    "3eb0c6f7a0b5ed8d": "0.000001",
    "41b3de4355555555": "333333333.3333333",
    "becbf647612f3696": "-0.0000033333333333333333",
    "43143ff3c1cb0959": "1424953923781206.2",
}

# Lines of the published ES6 number file to the file's SHA-256 up to there (its README.md).
NUMBER_FILE = {
    1_000: "be18b62b6f69cdab33a7e0dae0d9cfa869fda80ddc712221570f9f40a5878687",
    10_000: "b9f7a8e75ef22a835685a52ccba7f7d6bdc99e34b010992cbc5864cd12be6892",
}


def double(bits):
    return struct.unpack("<d", struct.pack("<Q", bits))[0]


def number_file_bits():
    """Fixed values, then the smallest normal numbers, then a chain of SHA-256 digests read as little-endian doubles."""
    lines = (Path(__file__).parent / "es6_numbers.txt").read_text(encoding="utf-8").splitlines()
    yield from (int(word, 16) for line in lines if not line.startswith("#") for word in line.split())
    yield from (0x0010000000000000 + number for number in range(2000))
    block = bytes(32)
    while True:
        block = hashlib.sha256(block).digest()
        yield from (bits for bits in struct.unpack("<4Q", block) if double(bits) and math.isfinite(double(bits)))


@pytest.mark.parametrize("name", PUBLISHED)
def test_canonical_json_is_that_of_the_published_vectors(name):
    document, digest = PUBLISHED[name]
    assert canonical_digest(json.loads(document)) == digest


def test_keys_are_ordered_by_utf_16_code_units():
    """RFC 8785 section 3.2.3: a surrogate pair (U+1F602) comes before U+FB33, which code points would turn round."""
    text = rfc8785.dumps({"\ufb33": 1, "\U0001f602": 2}).decode()
    assert text == '{"\U0001f602":2,"\ufb33":1}'


@pytest.mark.parametrize(("bits", "text"), NUMBERS.items())
def test_numbers_are_written_as_rfc_8785_has_them(bits, text):
    assert canonical_digest(double(int(bits, 16))) == hashlib.sha256(text.encode()).hexdigest()


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_has_no_digest(number):
    """RFC 8785 section 3.2.2.3: NaN and Infinity must cause an error."""
    with pytest.raises(rfc8785.CanonicalizationError):
        canonical_digest({"x": number})


def test_the_published_number_file_comes_out_to_the_byte():
    running = hashlib.sha256()
    seen = {}
    for line, bits in enumerate(number_file_bits(), start=1):
        running.update(f"{bits:x},{rfc8785.dumps(double(bits)).decode()}\n".encode())
        if line in NUMBER_FILE:
            seen[line] = running.hexdigest()
        if line == max(NUMBER_FILE):
            break
    assert seen == NUMBER_FILE


@pytest.mark.parametrize(
    ("message", "digest"),
    [
        # FIPS 180-4 example values (NIST, "SHA256" examples) and the NESSIE set's million times "a"
        (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
        (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (
            b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
        ),
        (b"a" * 1_000_000, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
    ],
)
def test_the_digest_is_sha_256(message, digest):
    assert hashlib.sha256(message).hexdigest() == digest


def test_a_document_s_digest_is_sha_256_of_its_canonical_text():
    assert canonical_digest({"b": 1, "a": [1.50]}) == hashlib.sha256(b'{"a":[1.5],"b":1}').hexdigest()


def test_key_order_spelling_notes_and_comments_do_not_change_the_fingerprint(tmp_path):
    one = (
        'version = 1\nname = "T"\nnote = "as found"\n[values]\n"core voltage" = "1200 mV"\nratio = 47\nrate = "6 GHz"\n'
    )
    other = (
        '# hot evening\nversion = 1\nname = "T"\nnote = "other words"\n[values]\n'
        'rate = "6e3 MHz"  # told to the firmware\nratio = 47\n"core voltage" = "1.2 V"\n'
    )
    paths = tmp_path / "one.toml", tmp_path / "other.toml"
    for path, text in zip(paths, (one, other), strict=True):
        path.write_text(text, encoding="utf-8")
    first, second = (fingerprint(load_sheet(path), snapshot()) for path in paths)
    assert first == second
    assert len(first) == 64


@pytest.mark.parametrize(
    "changed",
    [
        {"name": "Trial 5"},
        {"values": {**sheet().values, "core voltage": "1.21 V"}},
        {"values": {**sheet().values, "ratio limit": 48}},
        {"values": {**sheet().values, "stored memory profile loaded": False}},
        {"values": {**sheet().values, "stored memory profile loaded": 1}},
        {"values": {**sheet().values, "load line": "0.9 mΩ"}},
        {"values": {key: value for key, value in sheet().values.items() if key != "ratio limit"}},
        {"values": {}},
    ],
    ids=str,
)
def test_every_change_of_a_declared_setting_changes_the_fingerprint(changed):
    assert fingerprint(sheet(**changed), snapshot()) != fingerprint(sheet(), snapshot())


def test_no_sheet_is_not_an_empty_sheet():
    assert fingerprint(None, snapshot()) != fingerprint(sheet(values={}), snapshot())


@pytest.mark.parametrize("changed", [{"boot_id": "boot-2"}, {"absent": {}}, {"absent": {"board": "no permission"}}])
def test_a_boot_and_what_could_be_read_are_no_settings(changed):
    assert fingerprint(sheet(), snapshot()) == fingerprint(sheet(), snapshot(**changed))
    assert settings_changed(snapshot(), snapshot(**changed)) == []


def test_what_is_not_told_is_left_out_so_that_a_new_field_changes_no_old_fingerprint():
    told = {
        "machine": "m", "logical_cores": 2, "cores_allowed": "0-1", "swap_total_mib": 0, "kernel": "k",
        "topology": {"online": "0-1"}, "memory_modules": {"A1": {}},
    }  # fmt: skip
    full = {**told, "memory_total_mib": 1, "boot_id": "b", "absent": {"boost": "not there"}}
    seen = Snapshot.model_validate(full)
    assert fingerprint(None, seen) == canonical_digest({"sheet": None, "snapshot": told})


def test_the_fingerprint_survives_the_journal():
    declared, seen = sheet(), snapshot()
    again = type(declared).model_validate_json(declared.model_dump_json())
    assert fingerprint(again, Snapshot.model_validate_json(seen.model_dump_json())) == fingerprint(declared, seen)
