"""A run, its ledger or its certificate, made ready to be kept: what goes into which table. Nothing is written here."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from gaswitness.certify import bundle
from gaswitness.certify.envelope import opened
from gaswitness.certify.payload import PAYLOAD_TYPE, read_payload, site_bytes
from gaswitness.certify.verify import verify
from gaswitness.errors import EvidenceError
from gaswitness.evidence.late import read_late, with_late
from gaswitness.evidence.ledger import Ledger, read_ledger
from gaswitness.evidence.series import Series, series_of
from gaswitness.judge import judge
from gaswitness.judge.finding import worst
from gaswitness.judge.records import Finding, Judgement, Verdict
from gaswitness.plan.records import Criterion, DetectorPlan, Plan
from gaswitness.run.events import CylinderRead, InhibitHandedOver, InhibitMoved, Pressed

Row = Mapping[str, Any]
Kind = Literal["bundle", "ledger", "paper"]


@dataclass(frozen=True, slots=True)
class VisitRows:
    """One visit: its own row, the site as it was then, and rows by name of table."""

    visit: Row
    site: Row | None
    rows: Mapping[str, Sequence[Row]]
    where: str = ""
    """Place in the file, for what can only be said once it meets what is kept already."""
    corrects: bool = False
    """It says of itself that it takes the place of an earlier row."""
    copy_of: str = ""
    """The visit that a row on paper was written out of, where a store did so."""

    @property
    def key(self) -> str:
        """Digest by which the store knows the visit."""
        return str(self.visit["visit"])


@dataclass(frozen=True, slots=True)
class Parcel:
    """One file as it came, and everything that follows from it."""

    kind: Kind
    name: str
    data: bytes
    visits: tuple[VisitRows, ...]
    certificate: Row | None = None
    notes: tuple[str, ...] = ()
    sha256: str = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "sha256", hashlib.sha256(self.data).hexdigest())


def bundle_parcel(data: bytes, name: str, *, trusted: Sequence[Ed25519PublicKey] = ()) -> Parcel:
    """A certificate's bundle, proven first: signatures, chain, and the evidence judged again; raises EvidenceError."""
    proven = verify(data, name, trusted=trusted)
    if proven.rejudged != "same":
        raise EvidenceError(f"{name}: {proven.reason}", hint="nothing of it was kept; ask the signer about it")
    members, key = bundle.unpack(data, name)
    payload = read_payload(opened(members[bundle.CERTIFICATE], PAYLOAD_TYPE, key, name))
    ledger, late_bytes = read_ledger(members[bundle.LEDGER], name), members.get(bundle.LATE, b"")
    counted = with_late(ledger, read_late(late_bytes, ledger, name)) if late_bytes else ledger
    visit = _visit(counted, payload.judgement, visit_key(ledger.sha256, late_bytes))
    certificate = {
        "certificate_id": payload.certificate_id,
        "visit": visit.key,
        "signer": proven.signer,
        "vouched_for": proven.vouched_for,
        "issued": payload.issued,
        "issued_by": payload.issued_by,
    }
    notes = () if proven.vouched_for else ("whose key signed it was not checked: no trusted key was given",)
    return Parcel("bundle", name, data, (visit,), certificate, notes)


def ledger_parcel(data: bytes, name: str) -> Parcel:
    """A ledger without a certificate: its chain is proven and it is judged now; raises EvidenceError."""
    ledger = read_ledger(data, name)
    notes = ["not signed: nobody certified this ledger"]
    if ledger.stopped is None:
        notes.append("the run had not ended; import it again when it has")
    visit = _visit(ledger, judge(series_of(ledger)), visit_key(ledger.sha256))
    return Parcel("ledger", name, data, (visit,), None, tuple(notes))


def visit_key(ledger_sha256: str, late_bytes: bytes = b"") -> str:
    """Digest by which a visit is known: with marks that came in late it is judged again, and is another one."""
    return hashlib.sha256(f"{ledger_sha256}:".encode() + late_bytes).hexdigest() if late_bytes else ledger_sha256


def _visit(ledger: Ledger, judgement: Judgement, key: str) -> VisitRows:
    series, started = series_of(ledger), ledger.started
    plan = started.plan
    document = site_bytes(plan)
    site = {
        "sha256": hashlib.sha256(document).hexdigest(),
        "site": plan.site.name,
        "document": document.decode(),
    }
    visit = {
        "visit": key,
        "kind": "run",
        "site": plan.site.name,
        "run_id": started.run_id,
        "started": started.wall,
        "ended": ledger.events[-1].wall,
        "operator": started.operator,
        "simulated": started.simulated,
        "complete": judgement.complete,
        "interrupted": judgement.interrupted,
        "outcome": judgement.outcome,
        "software": started.software,
        "site_sha256": site["sha256"],
    }
    criteria = {one.id: one for one in plan.criteria}
    findings: list[tuple[str | None, Finding]] = [
        *((verdict.tag, one) for verdict in (*judgement.verdicts, *judgement.groups) for one in verdict.findings),
        *((None, one) for one in judgement.visit),
    ]
    adjusted = [event for event in ledger.events if isinstance(event, Pressed) and event.action.startswith("adjusted")]
    rows: dict[str, Sequence[Row]] = {
        "test": [_test(series, plan, verdict, criteria, adjusted) for verdict in judgement.verdicts],
        "finding": [_finding(tag, one, criteria[one.criterion]) for tag, one in findings],
        "effect_line": [
            {"number": number, **line.model_dump(exclude={"format"})} for number, line in enumerate(judgement.effects)
        ],
        "inhibit": _inhibits(ledger),
        "cylinder_use": _cylinders(ledger, series, plan),
        "adjustment": [
            {"number": n, "tag": e.tag or "", "what": e.action.removeprefix("adjusted-"), "at": e.wall, "by": e.by}
            for n, e in enumerate(adjusted)
        ],
    }
    return VisitRows(visit, site, rows)


def _test(
    series: Series, plan: Plan, verdict: Verdict, criteria: Mapping[str, Criterion], adjusted: Sequence[Pressed]
) -> Row:
    tag = verdict.tag
    detector, part = plan.site.detector(tag), plan.detector(tag)
    trials = series.tests_of(tag)
    bottle = plan.site.cylinder(trials[-1].cylinder if trials else part.cylinder)
    as_found = [one for one in verdict.findings if not criteria[one.criterion].optional]
    done = {event.action for event in adjusted if event.tag == tag}
    return {
        "tag": tag,
        "gas": detector.gas,
        "sensor": detector.sensor,
        "outcome": verdict.outcome,
        "as_found": worst(one.outcome for one in as_found),
        "why": verdict.why,
        "alarmed": _alarmed(as_found),
        "expected_t90_s": _expected_t90_s(part),
        "adjusted_zero": "adjusted-zero" in done,
        "adjusted_span": "adjusted-span" in done,
        "sensor_exchanged": False,
        "cylinder": bottle.tag,
        "cylinder_certificate": bottle.certificate,
        "note": "",
    }


def _alarmed(as_found: Sequence[Finding]) -> bool | None:
    """Whether every point set while gas beyond its level was there; none where that was not shown."""
    times = [one for one in as_found if one.kind == "set-time"]
    if any(one.outcome == "fail" and one.value is None for one in times):
        return False
    return True if times and all(one.value is not None for one in times) else None


def _expected_t90_s(part: DetectorPlan) -> float | None:
    """Where the predicted curve has made 90 % of the change from its start to the bottle's level."""
    t_s, reading = np.array(part.curve.t_s), np.array(part.curve.reading_ppm)
    change = part.bottle_ppm - reading[0]
    if change == 0:
        return None
    share = (reading - reading[0]) / change
    passed = np.flatnonzero(share >= 0.9)
    if passed.size == 0 or passed[0] == 0:
        return None
    at = int(passed[0])
    return float(np.interp(0.9, share[at - 1 : at + 1], t_s[at - 1 : at + 1]))


def _finding(tag: str | None, one: Finding, criterion: Criterion) -> Row:
    return {
        "criterion": one.criterion,
        "tag": tag,
        "kind": one.kind,
        "as_left": criterion.optional and tag is not None,
        "text": one.text,
        "value": one.value,
        "u": one.u,
        "unit": one.unit,
        "target": criterion.target,
        "lower": one.limits[0],
        "upper": one.limits[1],
        "rule": one.rule,
        "outcome": one.outcome,
        "margin": one.margin,
        "p_conform": one.p_conform,
        "why": one.why,
        "budget": json.dumps([part.model_dump() for part in one.budget]),
    }


def _inhibits(ledger: Ledger) -> list[Row]:
    rows: list[Row] = []
    for event in ledger.events:
        if isinstance(event, InhibitMoved):
            told = {"state": event.state, "to": "", "reason": event.reason}
        elif isinstance(event, InhibitHandedOver):
            told = {"state": "handed-over", "to": event.to, "reason": event.reason}
        else:
            continue
        rows.append({"number": len(rows), "effect": event.effect, "at": event.wall, "by": event.by, **told})
    return rows


def _cylinders(ledger: Ledger, series: Series, plan: Plan) -> list[Row]:
    read = [event for event in ledger.events if isinstance(event, CylinderRead)]
    rows: list[Row] = []
    for tag in dict.fromkeys(trial.cylinder for trial in series.trials):
        bottle = plan.site.cylinder(tag)
        first_s = min(trial.gas_on.t_s for trial in series.trials if trial.cylinder == tag)
        before = [e.pressure_pa for e in read if e.cylinder == tag and e.t_s <= first_s]
        after = [e.pressure_pa for e in read if e.cylinder == tag and e.t_s > first_s]
        rows.append(
            {
                "cylinder": tag,
                "gas": bottle.gas,
                "level_ppm": bottle.level_ppm,
                "u_ppm": bottle.u_ppm,
                "certificate": bottle.certificate,
                "expires": bottle.expires,
                "pressure_before_pa": before[-1] if before else None,
                "pressure_after_pa": after[-1] if after else None,
            }
        )
    return rows
