"""Signing keys: Ed25519, kept as PEM; a key is told by its fingerprint."""

from __future__ import annotations

import hashlib

from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from gaswitness.errors import InputError


def new_key() -> Ed25519PrivateKey:
    """A fresh signing key from the operating system's randomness."""
    return Ed25519PrivateKey.generate()


def fingerprint(key: Ed25519PublicKey) -> str:
    """First 16 bytes of the SHA-256 of the raw public key, in groups that people can read to each other.

    >>> fingerprint(Ed25519PrivateKey.from_private_bytes(bytes(32)).public_key())
    '139e-3940-e64b-5491-7220-88d9-a0d7-4162'
    """
    raw = key.public_bytes(serialization.Encoding.Raw, serialization.PublicFormat.Raw)
    digest = hashlib.sha256(raw).hexdigest()[:32]
    return "-".join(digest[i : i + 4] for i in range(0, 32, 4))


def private_pem(key: Ed25519PrivateKey, passphrase: str | None = None) -> bytes:
    """The private key as PKCS #8 PEM, sealed with the passphrase where one is given."""
    sealing: serialization.KeySerializationEncryption = (
        serialization.BestAvailableEncryption(passphrase.encode()) if passphrase else serialization.NoEncryption()
    )
    return key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, sealing)


def public_pem(key: Ed25519PublicKey) -> bytes:
    """The public key as PEM, to be handed to whoever will verify."""
    return key.public_bytes(serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo)


def read_private(pem: bytes, where: str, passphrase: str | None = None) -> Ed25519PrivateKey:
    """Read a private key; raises InputError with what to do."""
    expected = "an Ed25519 private key in PEM form"
    try:
        key = serialization.load_pem_private_key(pem, passphrase.encode() if passphrase else None)
    except TypeError as error:
        hint = "set GASWITNESS_PASSPHRASE" if passphrase is None else "this key has no passphrase; leave it out"
        raise InputError("the passphrase does not fit", where=where, expected=expected, hint=hint) from error
    except (ValueError, UnsupportedAlgorithm) as error:
        raise InputError(
            "cannot be read as a key", where=where, expected=expected, hint="make one: gaswitness keys new -o KEY"
        ) from error
    if not isinstance(key, Ed25519PrivateKey):
        raise InputError("another kind of key", where=where, found=type(key).__name__, expected=expected)
    return key


def read_public(pem: bytes, where: str) -> Ed25519PublicKey:
    """Read a public key; raises InputError."""
    expected = "an Ed25519 public key in PEM form"
    try:
        key = serialization.load_pem_public_key(pem)
    except (ValueError, UnsupportedAlgorithm) as error:
        raise InputError("cannot be read as a key", where=where, expected=expected) from error
    if not isinstance(key, Ed25519PublicKey):
        raise InputError("another kind of key", where=where, found=type(key).__name__, expected=expected)
    return key
