"""Check a bundle the hard way: signatures, chain, and the evidence judged again."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from typing import Any, Literal

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from pydantic import ValidationError

from gaswitness.certify import bundle
from gaswitness.certify.envelope import opened
from gaswitness.certify.keys import fingerprint
from gaswitness.certify.payload import PAYLOAD_TYPE, CertificatePayload, read_payload
from gaswitness.errors import EvidenceError, UnknownSigner
from gaswitness.evidence.late import read_late, with_late
from gaswitness.evidence.ledger import read_ledger
from gaswitness.evidence.series import series_of
from gaswitness.judge import judge
from gaswitness.judge.records import Outcome
from gaswitness.plan.records import Plan
from gaswitness.records import Record, first_complaint
from gaswitness.site.records import Site

REL_TOLERANCE = 1e-6
"""Two machines may differ in the last digits of a fit; more than this is a different result."""


class Verification(Record):
    """What was found; there is one only if signatures and chain hold."""

    certificate_id: str
    signer: str
    """Fingerprint of the key."""
    issued_by: str
    vouched_for: bool
    """The key is among those handed in as trusted."""
    outcome: Outcome
    late: int = 0
    """Marks and typed readings in it that came in after the run had ended."""
    outcome_at_end: Outcome | None = None
    """What the ledger alone gives, where there are such marks."""
    rejudged: Literal["same", "differs"]
    differences: tuple[str, ...]
    reason: str


def verify(data: bytes, where: str, *, trusted: Sequence[Ed25519PublicKey] = ()) -> Verification:
    """Prove a bundle; raises EvidenceError with the reason.

    With `trusted` given, a key that is not among them raises UnknownSigner. Without, the certificate is only known
    to be whole and unaltered since that key signed it, and the result says so.
    """
    members, key = bundle.unpack(data, where)
    signer = fingerprint(key)
    if trusted and signer not in {fingerprint(known) for known in trusted}:
        raise UnknownSigner(
            f"{where}: signed by {signer}, which is not a key you trust",
            hint="get the signer's public key from the signer, not with the file",
        )
    payload = read_payload(opened(members[bundle.CERTIFICATE], PAYLOAD_TYPE, key, f"{where}: certificate"))
    _check_digests(members, payload, where)
    ledger = read_ledger(members[bundle.LEDGER], f"{where}: {bundle.LEDGER}")
    _check_plan(members, ledger.started.plan, where)
    late_bytes = members.get(bundle.LATE, b"")
    late = read_late(late_bytes, ledger, f"{where}: {bundle.LATE}")
    again = judge(series_of(with_late(ledger, late) if late_bytes else ledger))
    differences = tuple(_differences(payload.judgement.model_dump(), again.model_dump(), "judgement"))
    if late_bytes:
        at_end = judge(series_of(ledger)).outcome
        differences += tuple(_differences(payload.outcome_at_end, at_end, "outcome_at_end"))
    return Verification(
        certificate_id=payload.certificate_id,
        signer=signer,
        issued_by=payload.issued_by,
        vouched_for=bool(trusted),
        outcome=payload.judgement.outcome,
        late=payload.judgement.late,
        outcome_at_end=payload.outcome_at_end,
        rejudged="differs" if differences else "same",
        differences=differences,
        reason=_reason(bool(trusted), differences),
    )


def _reason(vouched_for: bool, differences: tuple[str, ...]) -> str:
    if differences:
        return f"signature and chain hold, but the evidence judged again differs: {differences[0]}"
    whole = "signatures and chain hold, and the evidence judged again gives the same"
    return whole if vouched_for else f"{whole}; whose key it is was not checked (no trusted key given)"


def _check_digests(members: Any, payload: CertificatePayload, where: str) -> None:
    stated = {
        bundle.LEDGER: payload.ledger_sha256,
        bundle.PLAN: payload.plan_sha256,
        bundle.SITE: payload.site_sha256,
        bundle.LATE: payload.late_sha256,
    }
    for name, digest in stated.items():
        found = hashlib.sha256(members[name]).hexdigest() if name in members else None
        if found != digest:
            raise EvidenceError(f"{where}: {name} is not the one that the certificate speaks of")


def _check_plan(members: Any, plan: Plan, where: str) -> None:
    """What they say is compared, not their bytes: an old bundle lacks the keys that came with later versions."""
    try:
        same = (Plan.model_validate_json(members[bundle.PLAN]), Site.model_validate_json(members[bundle.SITE]))
    except ValidationError as error:
        raise EvidenceError(
            f"{where}: the plan or site in the bundle cannot be read ({first_complaint(error)})"
        ) from error
    if same != (plan, plan.site):
        raise EvidenceError(f"{where}: the plan or site in the bundle is not the one the run was made by")


def _differences(stated: Any, found: Any, path: str) -> list[str]:
    """Places where two judgements differ by more than rounding."""
    if isinstance(stated, float) and isinstance(found, float):
        same = math.isclose(stated, found, rel_tol=REL_TOLERANCE, abs_tol=1e-9)
        return [] if same else [f"{path}: certified {stated:.6g}, found {found:.6g}"]
    if isinstance(stated, dict) and isinstance(found, dict):
        keys = [key for key in stated if key not in {"why", "causes"}]  # words carry rounded numbers
        return [line for key in keys for line in _differences(stated[key], found.get(key), f"{path}.{key}")]
    if isinstance(stated, list | tuple) and isinstance(found, list | tuple) and len(stated) == len(found):
        pairs = enumerate(zip(stated, found, strict=True))
        return [line for i, (left, right) in pairs for line in _differences(left, right, f"{path}[{i}]")]
    return [] if stated == found else [f"{path}: certified {_short(stated)}, found {_short(found)}"]


def _short(value: Any) -> str:
    text = str(value)
    return text if len(text) <= 60 else f"{text[:57]}..."
