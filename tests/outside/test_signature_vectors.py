"""Signature and envelope against published vectors.

- RFC 8032, section 7.1 (Ed25519 test vectors 1-3), from memory of the RFC's text, confirmed here by a second path: the
  public key is derived from the secret one and both signatures must agree.
- DSSE v1 protocol, "Test vectors": the pre-authentication encoding of HelloWorld, as repeated word for word in several
  independent public implementations' tests.
"""

from __future__ import annotations

import base64
import json

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from gaswitness.certify.envelope import opened, pae, sign

RFC_8032 = [
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b",
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00",
    ),
]


@pytest.mark.parametrize(("secret", "public", "message", "signature"), RFC_8032)
def test_ed25519_gives_the_signatures_of_rfc_8032(secret: str, public: str, message: str, signature: str) -> None:
    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret))
    assert key.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw).hex() == public
    assert key.sign(bytes.fromhex(message)).hex() == signature


def test_pre_authentication_encoding_of_the_dsse_protocol() -> None:
    assert (
        pae("http://example.com/HelloWorld", b"hello world")
        == b"DSSEv1 29 http://example.com/HelloWorld 11 hello world"
    )


def test_lengths_count_bytes_not_characters() -> None:
    assert pae("t", "é".encode()) == b"DSSEv1 1 t 2 \xc3\xa9"


def test_envelope_carries_a_plain_ed25519_signature_over_the_encoding() -> None:
    """Anybody can check our envelope with nothing but Ed25519 and the encoding."""
    key = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
    envelope = json.loads(sign("application/x", b"body", key))
    assert base64.b64decode(envelope["payload"]) == b"body"
    key.public_key().verify(base64.b64decode(envelope["signatures"][0]["sig"]), b"DSSEv1 13 application/x 4 body")
    assert opened(json.dumps(envelope).encode(), "application/x", key.public_key(), "envelope") == b"body"
