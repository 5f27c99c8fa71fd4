"""Somebody alters a bundle and hopes that nobody notices."""

from __future__ import annotations

import io
import json
import zipfile

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import given
from hypothesis import strategies as st

from gaswitness.certify import bundle
from gaswitness.certify.envelope import opened, sign
from gaswitness.certify.keys import public_pem
from gaswitness.errors import EvidenceError, SignatureRejected

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
THIEF = Ed25519PrivateKey.from_private_bytes(bytes(range(1, 33)))
MEMBERS = {name: f"content of {name}".encode() for name in bundle.MEMBERS}


def rebuilt(data: bytes, **changes: bytes | None) -> bytes:
    """The archive with members exchanged, added, or (None) taken out; `.` is written `__`."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        files = {name: archive.read(name) for name in archive.namelist()}
    for name, content in changes.items():
        files[name.replace("__", ".")] = content  # type: ignore[assignment]
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, content in files.items():
            if content is not None:
                archive.writestr(name, content)
    return out.getvalue()


PACKED = bundle.pack(MEMBERS, KEY)


def test_an_untouched_bundle_gives_back_what_went_in() -> None:
    members, key = bundle.unpack(PACKED, "b.zip")
    assert dict(members) == MEMBERS
    assert key == KEY.public_key()


def test_packing_again_gives_the_same_bytes() -> None:
    assert bundle.pack(MEMBERS, KEY) == PACKED


@pytest.mark.parametrize("name", bundle.MEMBERS)
def test_an_exchanged_member_is_named(name: str) -> None:
    with pytest.raises(SignatureRejected, match=name.replace(".", r"\.")):
        bundle.unpack(rebuilt(PACKED, **{name.replace(".", "__"): b"other"}), "b.zip")


def test_a_missing_member_is_named() -> None:
    with pytest.raises(EvidenceError, match=r"ledger\.jsonl missing"):
        bundle.unpack(rebuilt(PACKED, ledger__jsonl=None), "b.zip")


def test_an_added_member_is_named() -> None:
    with pytest.raises(EvidenceError, match=r"readme\.txt is not part"):
        bundle.unpack(rebuilt(PACKED, readme__txt=b"trust me"), "b.zip")


def test_another_key_put_in_does_not_open_the_old_signature() -> None:
    with pytest.raises(SignatureRejected, match="list of contents"):
        bundle.unpack(rebuilt(PACKED, signer__pub__pem=public_pem(THIEF.public_key())), "b.zip")


def test_signing_all_again_with_another_key_shows_that_other_key() -> None:
    """This is whole, and not the signer's: the key tells, which is why it must come from the signer."""
    _, key = bundle.unpack(bundle.pack({**MEMBERS, bundle.LEDGER: b"forged"}, THIEF), "b.zip")
    assert key == THIEF.public_key() != KEY.public_key()


def test_a_member_that_stands_twice_is_refused() -> None:
    out = io.BytesIO(PACKED)
    with zipfile.ZipFile(out, "a") as archive, pytest.warns(UserWarning, match="Duplicate"):
        archive.writestr(bundle.LEDGER, b"second")
    with pytest.raises(EvidenceError, match="twice"):
        bundle.unpack(out.getvalue(), "b.zip")


def test_a_bomb_is_refused_before_it_fills_the_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bundle, "LARGEST_BYTES", 1 << 20)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(bundle.LEDGER, bytes(1 << 24))
    with pytest.raises(EvidenceError, match="unpacks to more"):
        bundle.unpack(out.getvalue(), "b.zip")


@given(st.integers(0, len(PACKED) - 1), st.integers(1, 255))
def test_any_changed_byte_is_refused_or_changes_nothing(at: int, by: int) -> None:
    """A flipped byte may fall on something ZIP does not read (a date, a flag); then the members are still the same."""
    data = bytearray(PACKED)
    data[at] ^= by
    try:
        members, key = bundle.unpack(bytes(data), "b.zip")
    except EvidenceError:
        return
    assert dict(members) == MEMBERS
    assert key == KEY.public_key()


@given(st.binary(max_size=300))
def test_any_bytes_are_no_bundle(data: bytes) -> None:
    with pytest.raises(EvidenceError):
        bundle.unpack(data, "b.zip")


@given(st.binary(max_size=200))
def test_any_bytes_are_no_envelope(data: bytes) -> None:
    with pytest.raises(SignatureRejected):
        opened(data, "t", KEY.public_key(), "envelope")


def test_a_signature_for_one_type_does_not_open_another() -> None:
    envelope = json.loads(sign("application/a", b"body", KEY))
    envelope["payloadType"] = "application/b"
    with pytest.raises(SignatureRejected, match="altered after signing"):
        opened(json.dumps(envelope).encode(), "application/b", KEY.public_key(), "envelope")
    with pytest.raises(SignatureRejected, match="expected 'application/a'"):
        opened(json.dumps(envelope).encode(), "application/a", KEY.public_key(), "envelope")
