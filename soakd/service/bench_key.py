"""The bench's Ed25519 key (RFC 8032): made once, kept in the state folder for its owner alone, never replaced unasked.

Whoever can read it can sign as this bench. It is read anew for each signature, so that what became of it meanwhile is
noticed and nothing of it stays in memory.
"""

from __future__ import annotations

import hashlib
import os
import stat
from contextlib import closing, suppress
from importlib.metadata import version
from typing import TYPE_CHECKING

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
    load_pem_private_key,
    load_pem_public_key,
)

from soakd.errors import BenchKeyError, UsageError
from soakd.model.statement import Signed
from soakd.service.home import put_whole
from soakd.store.chain import Chain
from soakd.store.reader import Reader

if TYPE_CHECKING:
    from collections.abc import Collection
    from pathlib import Path

    from soakd.service.home import Home

_OTHERS = 0o077
_MOST_BYTES = 4096
NEW_KEY = "`soakd verdict key --new` makes another; verdicts signed before can still be verified"


class PublicKey:
    """What anybody may have: verifies, and cannot sign."""

    def __init__(self, key: Ed25519PublicKey) -> None:
        self._key = key
        der = key.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)
        self.keyid = hashlib.sha256(der).hexdigest()
        """SHA-256 of the DER SubjectPublicKeyInfo (RFC 5280, RFC 8410)."""
        self.pem = key.public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo).decode("ascii")

    def verifies(self, signature: bytes, message: bytes) -> bool:
        try:
            self._key.verify(signature, message)
        except InvalidSignature:
            return False
        return True


class BenchKey:
    """The private key's file. Every refusal is a BenchKeyError with the remedy in its hint."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self.soakd_version = version("soakd")

    def ready(self, used: Collection[str]) -> None:
        """Make the key where there is none and none has ever signed here. Raises BenchKeyError if it cannot be used.

        `used`: public keys that have signed verdicts of this ledger. The caller holds the bench lock.
        """
        if not used and not self._path.exists():
            self.renew()
        self._load()

    def renew(self) -> None:
        """Another key in place of the one that is there, durable on return."""
        key = Ed25519PrivateKey.generate()
        pem = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
        try:
            put_whole(self._path, pem.decode("ascii"))
        except OSError as error:
            raise BenchKeyError(f"the bench key {self._path} cannot be made: {error.strerror}") from error

    def sign(self, message: bytes) -> Signed:
        key = self._load()
        public = PublicKey(key.public_key())
        return Signed(keyid=public.keyid, public=public.pem, signature=key.sign(message))

    def public(self) -> PublicKey:
        return PublicKey(self._load().public_key())

    def _load(self) -> Ed25519PrivateKey:
        text = self._read()
        try:
            key = load_pem_private_key(text, password=None)
        except (ValueError, TypeError, UnsupportedAlgorithm):
            key = None
        if not isinstance(key, Ed25519PrivateKey):
            raise BenchKeyError(f"the bench key {self._path} is damaged: it holds no Ed25519 key", hint=NEW_KEY)
        return key

    def _read(self) -> bytes:
        """The file's bytes, from a file that is its owner's alone."""
        try:
            descriptor = os.open(self._path, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK)
        except FileNotFoundError:
            raise BenchKeyError(f"the bench key {self._path} is lost", hint=f"put it back, or {NEW_KEY}") from None
        except OSError as error:
            raise BenchKeyError(
                f"the bench key {self._path} cannot be read: {(error.strerror or str(error)).lower()}",
                hint="only the account that runs soakd should own it, and be able to read it",
            ) from error
        try:
            self._check(os.fstat(descriptor).st_mode)
            return os.read(descriptor, _MOST_BYTES)
        finally:
            os.close(descriptor)

    def _check(self, mode: int) -> None:
        if not stat.S_ISREG(mode):
            raise BenchKeyError(f"the bench key {self._path} is no ordinary file", hint=f"remove it; {NEW_KEY}")
        if mode & _OTHERS:
            raise BenchKeyError(
                f"the bench key {self._path} is open to others (mode {stat.S_IMODE(mode):04o}) and is not used",
                hint=f"chmod 600 if nobody can have copied it; else {NEW_KEY}",
            )


def public_key(pem: bytes, where: object) -> PublicKey:
    """From a PEM file. Raises UsageError for what is no Ed25519 public key."""
    if b"PRIVATE KEY" in pem:
        raise UsageError(f"{where} is a private key", hint="verifying takes the public one: `soakd verdict key`")
    try:
        key = load_pem_public_key(pem)
    except (ValueError, UnsupportedAlgorithm):
        key = None
    if not isinstance(key, Ed25519PublicKey):
        raise UsageError(f"{where} is no Ed25519 public key in PEM", hint="`soakd verdict key` on the bench shows it")
    return PublicKey(key)


def keys_of_bench(home: Home) -> list[PublicKey]:
    """The key in the state folder, then those that signed here before, newest first. StoreError: journal unreadable."""
    found = []
    with suppress(BenchKeyError):
        found.append(BenchKey(home.key).public())
    if home.journal.is_file():
        with closing(Reader(home.journal)) as reader:
            found += [public_key(pem.encode(), home.journal) for pem in reversed(Chain(reader).keys())]
    return list({key.keyid: key for key in found}.values())
