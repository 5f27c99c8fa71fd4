"""Sign the bytes you keep: Ed25519 over a DSSE envelope, checked before anything inside is parsed.

DSSE v1 (the open "Dead Simple Signing Envelope" protocol) signs the pre-authentication encoding

    PAE(type, body) = "DSSEv1" SP len(type) SP type SP len(body) SP body

with lengths in bytes as decimal ASCII, so that no type can be swapped for another under the same signature.
"""

from __future__ import annotations

import base64
import binascii
import json
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from gaswitness.certify.keys import fingerprint
from gaswitness.errors import SignatureRejected


def pae(payload_type: str, body: bytes) -> bytes:
    """The bytes that a DSSE signature covers.

    >>> pae("http://example.com/HelloWorld", b"hello world")
    b'DSSEv1 29 http://example.com/HelloWorld 11 hello world'
    """
    kind = payload_type.encode()
    return b"DSSEv1 %d %b %d %b" % (len(kind), kind, len(body), body)


def sign(payload_type: str, body: bytes, key: Ed25519PrivateKey) -> bytes:
    """Put `body` into an envelope signed with `key`; the envelope is JSON."""
    signature = {
        "keyid": fingerprint(key.public_key()),
        "sig": base64.b64encode(key.sign(pae(payload_type, body))).decode(),
    }
    envelope = {
        "payloadType": payload_type,
        "payload": base64.b64encode(body).decode(),
        "signatures": [signature],
    }
    return json.dumps(envelope, indent=1).encode() + b"\n"


def opened(envelope: bytes, payload_type: str, key: Ed25519PublicKey, what: str) -> bytes:
    """The signed bytes, once the signature is known to be good; raises SignatureRejected, naming `what`."""
    try:
        outer: Any = json.loads(envelope)
        kind = outer["payloadType"]
        body = base64.b64decode(outer["payload"], validate=True)
        signatures = [base64.b64decode(entry["sig"], validate=True) for entry in outer["signatures"]]
    except (ValueError, KeyError, TypeError, binascii.Error, RecursionError) as error:
        raise SignatureRejected(
            f"{what}: not a signed envelope ({type(error).__name__})", hint="the file is damaged or is something else"
        ) from error
    if kind != payload_type:
        raise SignatureRejected(f"{what}: holds {kind!r}, expected {payload_type!r}")
    for signature in signatures:
        try:
            key.verify(signature, pae(payload_type, body))
        except InvalidSignature:
            continue
        return body
    raise SignatureRejected(
        f"{what}: altered after signing, or signed by another key than {fingerprint(key)}",
        hint="ask the signer for the file as it was issued",
    )
