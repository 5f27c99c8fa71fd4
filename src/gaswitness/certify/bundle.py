"""One file with everything: certificate, ledger, late marks, plan, site, PDF, public key, a signed list of contents.

A ZIP archive that any computer opens. Nothing in it is used before the signed list of contents has vouched for it.
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Mapping
from types import MappingProxyType

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from gaswitness.certify.envelope import opened, sign
from gaswitness.certify.keys import public_pem, read_public
from gaswitness.errors import EvidenceError, InputError, SignatureRejected

CONTENTS = "contents.dsse.json"
KEY = "signer.pub.pem"
CERTIFICATE = "certificate.dsse.json"
LEDGER = "ledger.jsonl"
LATE = "late-marks.jsonl"
"""In it only where something came in after the run had ended."""
PLAN = "plan.json"
SITE = "site.json"
PDF = "certificate.pdf"
MEMBERS = (CERTIFICATE, LEDGER, PLAN, SITE, PDF)

CONTENTS_TYPE = "application/vnd.gaswitness.contents+json"
LARGEST_BYTES = 512 * 1024 * 1024
"""More than any visit records; a bundle that unpacks to more is refused before it fills the memory."""

_EPOCH = (1980, 1, 1, 0, 0, 0)  # the earliest date a ZIP can hold: the same bytes in, the same archive out


def pack(members: Mapping[str, bytes], key: Ed25519PrivateKey) -> bytes:
    """Put the members and their signed list into one archive."""
    if set(members) - {LATE} != set(MEMBERS):
        raise ValueError(f"a bundle holds {MEMBERS}, found {tuple(members)}")
    digests = {name: hashlib.sha256(data).hexdigest() for name, data in members.items()}
    body = json.dumps({"format": "gaswitness/contents/1", "sha256": digests}, indent=1).encode()
    everything = {**members, KEY: public_pem(key.public_key()), CONTENTS: sign(CONTENTS_TYPE, body, key)}
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in everything.items():
            entry = zipfile.ZipInfo(name, _EPOCH)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, data)
    return out.getvalue()


def unpack(data: bytes, where: str) -> tuple[Mapping[str, bytes], Ed25519PublicKey]:
    """The members that the signer vouched for, and the signer's key.

    Raises EvidenceError for anything added, left out or altered; whether the key belongs to somebody you trust is
    a question of its own.
    """
    files = _read_archive(data, where)
    _check_names(files, {*MEMBERS, KEY, CONTENTS}, {LATE}, where)
    try:
        key = read_public(files[KEY], f"{where}: {KEY}")
    except InputError as error:
        raise EvidenceError(error.message) from error
    contents = json.loads(opened(files[CONTENTS], CONTENTS_TYPE, key, f"{where}: list of contents"))
    digests = contents["sha256"] if isinstance(contents, dict) else {}
    names = (*MEMBERS, LATE) if LATE in digests else MEMBERS
    _check_names(files, {*names, KEY, CONTENTS}, set(), where)
    for name in names:
        if digests.get(name) != hashlib.sha256(files[name]).hexdigest():
            raise SignatureRejected(
                f"{where}: {name} was altered after signing", hint="ask the signer for the file as issued"
            )
    return MappingProxyType({name: files[name] for name in names}), key


def _check_names(files: Mapping[str, bytes], needed: set[str], allowed: set[str], where: str) -> None:
    if lost := sorted(needed - files.keys()):
        raise EvidenceError(
            f"{where}: {', '.join(lost)} missing from the bundle", hint="ask the signer for the whole file"
        )
    if extra := sorted(files.keys() - needed - allowed):
        raise EvidenceError(
            f"{where}: {', '.join(extra)} is not part of the bundle", hint="somebody added to this file"
        )


def _read_archive(data: bytes, where: str) -> dict[str, bytes]:
    files: dict[str, bytes] = {}
    room = LARGEST_BYTES
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            for entry in archive.infolist():
                if entry.filename in files:
                    raise EvidenceError(f"{where}: {entry.filename} stands twice in the bundle")
                with archive.open(entry) as stream:
                    content = stream.read(room + 1)
                if len(content) > room:
                    raise EvidenceError(f"{where}: unpacks to more than {LARGEST_BYTES >> 20} MiB")
                room -= len(content)
                files[entry.filename] = content
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, OSError, EOFError, ValueError) as error:
        raise EvidenceError(
            f"{where}: not an evidence bundle, or damaged ({error})",
            hint="expected the .zip that `gaswitness certify` made",
        ) from error
    except Exception as error:
        if type(error).__module__ in {"zlib", "lzma", "bz2"}:
            raise EvidenceError(f"{where}: damaged ({error})") from error
        raise
    return files
