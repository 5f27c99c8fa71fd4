"""What is certified: the judgement, and digests of all it stands on, serialised once."""

from __future__ import annotations

import calendar
import hashlib
from datetime import UTC, date, datetime
from typing import Literal

from pydantic import ValidationError

from gaswitness.errors import SignatureRejected
from gaswitness.evidence.ledger import Ledger
from gaswitness.judge.records import Judgement, Outcome
from gaswitness.plan.records import Plan
from gaswitness.records import Record, Told, first_complaint
from gaswitness.sentence import said
from gaswitness.site.records import Rule

PAYLOAD_TYPE = "application/vnd.gaswitness.certificate+json"

RULES_IN_WORDS: dict[Rule, str] = {
    "simple": said(
        "simple: passes when the value lies within the limits; close to a limit, the chance of a wrong decision "
        "reaches one half."
    ),
    "guarded": said(
        "guarded: the limits are drawn in by the expanded uncertainty (k = 2); passes only inside, fails only beyond "
        "the limits widened by as much, and is inconclusive between."
    ),
    "shared-risk": said(
        "shared-risk: passes when the value lies within the limits, provided that the expanded uncertainty (k = 2) is "
        "no more than a third of the tolerance."
    ),
}
"""The decision rules as a reader of the certificate needs them (JCGM 106, ILAC-G8)."""

STATEMENT = said(
    "A pass is evidence about the moment and the gas tested; it is no guarantee for the time after. Local codes, site "
    "rules and licensed persons decide what must be proven, how often, and whether the installation may be used."
)


class CertificatePayload(Record):
    """The document that is signed."""

    format: Literal["gaswitness/certificate/1"] = "gaswitness/certificate/1"
    certificate_id: str
    issued: str
    issued_by: str
    site_name: str
    run_id: str
    operator: str
    started: str
    ended: str
    simulated: bool
    speed: float
    software: str
    ledger_sha256: str
    plan_sha256: str
    site_sha256: str
    rules: tuple[Told, ...]
    next_due: dict[str, str | None]
    """Date by which each detector is to be tested again; none where it did not pass now."""
    judgement: Judgement
    statement: Told = STATEMENT
    late_sha256: str | None = None
    """Of the marks that came in after the run had ended; none where none had when this was issued."""
    outcome_at_end: Outcome | None = None
    """What the ledger alone gives, where late marks reopened the judging."""


def plan_bytes(plan: Plan) -> bytes:
    """The plan as it stands in the bundle."""
    return plan.model_dump_json(indent=1).encode() + b"\n"


def site_bytes(plan: Plan) -> bytes:
    """The site as it stands in the bundle."""
    return plan.site.model_dump_json(indent=1).encode() + b"\n"


def months_later(day: date, months: int) -> date:
    """The same day of a later month, or the last day of that month where it is shorter.

    >>> months_later(date(2026, 8, 31), 6)
    datetime.date(2027, 2, 28)
    """
    count = day.year * 12 + day.month - 1 + months
    year, month = divmod(count, 12)
    return date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


def certificate_id(ledger: Ledger, late_bytes: bytes = b"") -> str:
    """The name of a certificate on this evidence; with late marks it is another one than before they came."""
    evidence = hashlib.sha256(f"{ledger.sha256}:".encode() + late_bytes).hexdigest() if late_bytes else ledger.sha256
    return f"{ledger.started.run_id}-{evidence[:8]}"


def make_payload(
    ledger: Ledger,
    judgement: Judgement,
    *,
    issued: datetime,
    issued_by: str,
    software: str,
    late_bytes: bytes = b"",
    outcome_at_end: Outcome | None = None,
) -> CertificatePayload:
    """Gather what is certified. The time and the issuer are handed in."""
    started = ledger.started
    plan = started.plan
    tested = datetime.fromisoformat(ledger.events[-1].wall).date()
    due = months_later(tested, plan.site.tests.interval_months).isoformat()
    used = {criterion.rule for criterion in plan.criteria}
    return CertificatePayload(
        certificate_id=certificate_id(ledger, late_bytes),
        issued=issued.astimezone(UTC).isoformat(timespec="seconds"),
        issued_by=issued_by,
        site_name=plan.site.name,
        run_id=started.run_id,
        operator=started.operator,
        started=started.wall,
        ended=ledger.events[-1].wall,
        simulated=started.simulated,
        speed=started.speed,
        software=software,
        ledger_sha256=ledger.sha256,
        plan_sha256=hashlib.sha256(plan_bytes(plan)).hexdigest(),
        site_sha256=hashlib.sha256(site_bytes(plan)).hexdigest(),
        rules=tuple(text for rule, text in RULES_IN_WORDS.items() if rule in used),
        next_due={verdict.tag: due if verdict.outcome == "pass" else None for verdict in judgement.verdicts},
        judgement=judgement,
        late_sha256=hashlib.sha256(late_bytes).hexdigest() if late_bytes else None,
        outcome_at_end=outcome_at_end,
    )


def payload_bytes(payload: CertificatePayload) -> bytes:
    """The bytes that are hashed, signed, stored and verified; made once."""
    return payload.model_dump_json(indent=1).encode() + b"\n"


def read_payload(body: bytes) -> CertificatePayload:
    """Read signed bytes back; raises SignatureRejected where a good signature covers something else."""
    try:
        return CertificatePayload.model_validate_json(body)
    except ValidationError as error:
        raise SignatureRejected(
            f"certificate: signed, but not a certificate that this version reads ({first_complaint(error)})",
            hint="verify it with the version of gaswitness that issued it, or a newer one",
        ) from error
