"""One act: a ledger in, a signed certificate, its PDF and its bundle out. Time and key are handed in."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from gaswitness import __version__
from gaswitness.certify import bundle
from gaswitness.certify.envelope import sign
from gaswitness.certify.keys import fingerprint
from gaswitness.certify.payload import (
    PAYLOAD_TYPE,
    CertificatePayload,
    make_payload,
    payload_bytes,
    plan_bytes,
    site_bytes,
)
from gaswitness.certify.pdf import certificate_pdf
from gaswitness.evidence.late import read_late, with_late
from gaswitness.evidence.ledger import read_ledger
from gaswitness.evidence.series import series_of
from gaswitness.judge import judge


@dataclass(frozen=True, slots=True)
class Issue:
    """Everything that one certificate consists of."""

    payload: CertificatePayload
    pdf: bytes
    bundle: bytes


def issue(
    ledger_bytes: bytes,
    where: str,
    key: Ed25519PrivateKey,
    *,
    issued: datetime,
    issued_by: str = "",
    late_bytes: bytes = b"",
    language: str = "en",
) -> Issue:
    """Judge the ledger, with what came in after its end, and certify what was found; the paper speaks `language`.

    Raises EvidenceError where ledger or late marks cannot be trusted.
    """
    alone = read_ledger(ledger_bytes, where)
    ledger = with_late(alone, read_late(late_bytes, alone, f"{where}, late marks")) if late_bytes else alone
    judgement = judge(series_of(ledger))
    payload = make_payload(
        ledger,
        judgement,
        issued=issued,
        issued_by=issued_by or ledger.started.operator,
        software=f"gaswitness {__version__}",
        late_bytes=late_bytes,
        outcome_at_end=judge(series_of(alone)).outcome if late_bytes else None,
    )
    body = payload_bytes(payload)
    envelope = sign(PAYLOAD_TYPE, body, key)
    signer = fingerprint(key.public_key())
    pdf = certificate_pdf(payload, ledger, body, signer=signer, issued=issued, language=language)
    plan = ledger.started.plan
    members = {
        bundle.CERTIFICATE: envelope,
        bundle.LEDGER: ledger_bytes,
        bundle.PLAN: plan_bytes(plan),
        bundle.SITE: site_bytes(plan),
        bundle.PDF: pdf,
        **({bundle.LATE: late_bytes} if late_bytes else {}),
    }
    return Issue(payload=payload, pdf=pdf, bundle=bundle.pack(members, key))
