"""A certificate on paper: a view of the payload and its ledger. It draws and words; it judges nothing."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from gaswitness.certify.payload import CertificatePayload
from gaswitness.certify.strips import strip_of
from gaswitness.certify.wording import found_and_limits, instant, time_of_day
from gaswitness.evidence.ledger import Ledger
from gaswitness.evidence.series import series_of
from gaswitness.judge.bottles import BottleUse, bottle_uses
from gaswitness.judge.decide import COVERAGE_K
from gaswitness.judge.records import Finding, Judgement, Verdict
from gaswitness.paper import typeset
from gaswitness.plan.records import Plan
from gaswitness.run.events import AirMeasured, Event, InhibitMoved, ReadingTaken, RoleTold, RunResumed
from gaswitness.site.records import Detector
from gaswitness.wording import between, level, number, probability, scale_ppm, with_uncertainty

TEMPLATE = Path(__file__).with_name("certificate.typ")

TOLD_TOGETHER = {
    "effect": "effects in time (see matrix)",
    "effect-pattern": "patterns as configured",
    "latched": "latched or free as configured",
    "silenced": "sounders stopped on silence",
    "reset": "cleared on reset",
    "fault": "open signal seen as a fault",
    "no-stray": "watch that nothing else happened",
}
"""Kinds of criterion that are told in one sentence where they passed."""


def certificate_pdf(
    payload: CertificatePayload, ledger: Ledger, body: bytes, *, signer: str, issued: datetime
) -> bytes:
    """Typeset the certificate; `body` are the signed bytes, whose digest is printed."""
    view = certificate_view(payload, ledger, hashlib.sha256(body).hexdigest(), signer)
    return typeset(TEMPLATE, view, issued)


def certificate_view(payload: CertificatePayload, ledger: Ledger, digest: str, signer: str) -> dict[str, Any]:
    """Everything the template prints, worded and rounded."""
    plan, judgement, events = ledger.started.plan, payload.judgement, ledger.events
    return {
        "certificate_id": payload.certificate_id,
        "digest": digest,
        "ledger": payload.ledger_sha256,
        "signer": signer,
        "site": payload.site_name,
        "subtitle": plan.site.note.strip().split("\n")[0],
        "outcome": judgement.outcome,
        "head": [
            ("tested", instant(payload.started)),
            ("ended", instant(payload.ended)),
            ("operator", payload.operator),
            ("run", payload.run_id),
            *_air(events),
        ],
        "notices": _notices(payload, events),
        "summary": [_summary_row(verdict, plan, payload) for verdict in judgement.verdicts],
        # where it passed, what was found says again what was asked for
        "visit": [
            {"outcome": f.outcome, "text": "" if f.outcome == "pass" else f"{f.text.rstrip('.')}:", "why": f.why}
            for f in judgement.visit
        ],
        "punch": _punch_list(judgement),
        "matrix": _matrix(plan, judgement),
        "strays": [
            f"{stray.signal} during the test of {stray.during}: {stray.explanation}" for stray in judgement.strays
        ],
        "groups": [_group_row(verdict, plan) for verdict in judgement.groups],
        "detectors": [
            *(_detector(verdict, plan, events) for verdict in judgement.verdicts),
            *(_group(verdict, plan) for verdict in judgement.groups),
        ],
        "cylinders": _cylinders(plan, bottle_uses(series_of(ledger))),
        "inhibits": _inhibits(events),
        "told": _told(events),
        "rules": list(payload.rules),
        "cautions": _in_two_columns(_cautions(plan)),
        "issued_by": payload.issued_by,
        "issued": instant(payload.issued),
        "software": payload.software,
        "statement": payload.statement,
    }


def _notices(payload: CertificatePayload, events: Sequence[Event]) -> list[tuple[str, str]]:
    notices = []
    if payload.simulated:
        speed = f" at {payload.speed:g} times the speed of life" if payload.speed != 1 else ""
        notices.append(
            (
                "Simulated installation.",
                f"This run was made on a simulation{speed}; it proves nothing about a real one.",
            )
        )
    for event in events:
        if isinstance(event, RunResumed):
            torn = f", {event.torn_bytes} bytes of an unfinished line were set aside" if event.torn_bytes else ""
            notices.append(
                (
                    "Interrupted run.",
                    f"Nothing was recorded for {event.gap_s:.0f} s before {instant(event.wall)}{torn}.",
                )
            )
    for tag, qualities in _qualities(events).items():
        if set(qualities) == {"by-hand"}:
            words = f"{tag}: {qualities['by-hand']} readings were typed by hand, no link brought any; "
            notices.append(("No link.", f"{words}U of each finding has in it what that costs in certainty."))
    if payload.late_sha256 is not None:
        notices.append(("Judged again.", _reopened(payload)))
    if not payload.judgement.complete:
        notices.append(("Not complete.", "The run was not carried through to its end."))
    return notices


def _qualities(events: Sequence[Event]) -> dict[str, Counter[str]]:
    """How often a reading of each detector came how."""
    found: dict[str, Counter[str]] = {}
    for event in events:
        if isinstance(event, ReadingTaken):
            found.setdefault(event.tag, Counter())[event.quality] += 1
    return found


def _reopened(payload: CertificatePayload) -> str:
    late = payload.judgement.late
    what = "1 mark or typed reading" if late == 1 else f"{late} marks or typed readings"
    return (
        f"{what} came in after the run had ended, and stand beside the ledger in the bundle. Without them the outcome "
        f"was: {payload.outcome_at_end}."
    )


def _finding(verdict: Verdict, kind: str) -> Finding | None:
    return next((f for f in verdict.findings if f.kind == kind), None)


def _summary_row(verdict: Verdict, plan: Plan, payload: CertificatePayload) -> dict[str, str]:
    detector = plan.site.detector(verdict.tag)
    span, t90 = _finding(verdict, "span"), _finding(verdict, "t90")
    return {
        "tag": verdict.tag,
        "place": f"{detector.gas}, {plan.site.area(detector.area).name}",
        "outcome": verdict.outcome,
        "gas": level(detector, plan.detector(verdict.tag).bottle_ppm),
        "reading": found_and_limits(span, detector)[0] if span else "-",
        "t90": found_and_limits(t90, detector)[0] if t90 else "-",
        "due": payload.next_due.get(verdict.tag) or "not set",
    }


def _punch_list(judgement: Judgement) -> list[dict[str, str]]:
    """What fell short, findings of one detector with the same first cause together."""
    groups: dict[tuple[str, str, str], list[Finding]] = {}
    judged = [(verdict.tag, verdict.findings) for verdict in (*judgement.verdicts, *judgement.groups)]
    for tag, found in [*judged, ("visit", judgement.visit)]:
        for finding in found:
            if finding.outcome != "pass":
                cause = finding.causes[0] if finding.causes else finding.why
                groups.setdefault((tag, finding.outcome, cause), []).append(finding)
    rows = []
    for (tag, outcome, _), findings in groups.items():
        first = findings[0]
        causes = [cause for cause in first.causes if cause not in first.why]
        texts = " ".join(finding.text for finding in findings[:2])
        more = f" And {len(findings) - 2} more." if len(findings) > 2 else ""
        rows.append(
            {
                "what": f"{tag}:",
                "outcome": outcome,
                "why": f"{texts}{more} {first.why}",
                "causes": "; ".join(causes[:3]),
            }
        )
    return rows


def _matrix(plan: Plan, judgement: Judgement) -> dict[str, Any]:
    tested = {detector.tag for detector in plan.detectors}
    shown = {(f.cause, f.effect): f for f in judgement.effects}
    causes = list(dict.fromkeys(f.cause for f in judgement.effects))
    effects = [e for e in plan.site.effects if any(f.effect == e.tag for f in judgement.effects)]
    rows = []
    for cause in causes:
        cells: list[dict[str, str] | None] = []
        for effect in effects:
            finding = shown.get((cause, effect.tag))
            cells.append(None if finding is None else {"outcome": finding.outcome, "text": _delay(finding.delay_s)})
        rows.append({"cause": cause, "cells": cells})
    others = [d.tag for d in plan.site.detectors if d.tag not in tested]
    note = f"Not part of this visit: {', '.join(others)}." if others else ""
    return {"effects": [(e.tag, e.kind) for e in effects], "rows": rows, "note": note}


def _delay(delay_s: float | None) -> str:
    return "" if delay_s is None else f"{delay_s:.1f}".replace("-0.0", "0.0")


def _detector(verdict: Verdict, plan: Plan, events: Sequence[Event]) -> dict[str, Any]:
    detector = plan.site.detector(verdict.tag)
    scale, unit = scale_ppm(detector)
    reach = between(detector, detector.range_low_ppm, detector.range_high_ppm)
    told_apart = [f for f in verdict.findings if f.outcome != "pass" or f.kind not in TOLD_TOGETHER]
    return {
        "tag": detector.tag,
        "name": detector.name,
        "outcome": verdict.outcome,
        "facts": f"{detector.gas}, {plan.site.area(detector.area).name}; range {reach}; "
        f"resolution {number(detector.resolution_ppm / scale)} {unit}; stated t90 {detector.t90_s:g} s. {verdict.why}",
        "strip": strip_of(events, plan, detector.tag),
        "findings": [_finding_row(finding, detector) for finding in told_apart],
        "also": _told_together([f for f in verdict.findings if f.outcome == "pass" and f.kind in TOLD_TOGETHER]),
    }


def _finding_row(finding: Finding, detector: Detector | None) -> dict[str, str]:
    found, limits = found_and_limits(finding, detector)
    return {
        "text": finding.text,
        "found": found,
        "limits": limits,
        "rule": finding.rule,
        "p": probability(finding.p_conform),
        "outcome": finding.outcome,
        "why": "" if finding.outcome == "pass" else finding.why,
    }


def _group_row(verdict: Verdict, plan: Plan) -> dict[str, str]:
    group = next(one for one in plan.groups if one.tag == verdict.tag)
    return {
        "tag": verdict.tag,
        "vote": f"{group.need} of {group.of}",
        "members": ", ".join(part.tag for part in group.parts),
        "effects": ", ".join(group.effects),
        "outcome": verdict.outcome,
    }


def _group(verdict: Verdict, plan: Plan) -> dict[str, Any]:
    """The trial of a vote group, told like a detector."""
    group = next(one for one in plan.site.groups if one.tag == verdict.tag)
    shown = next(one for one in plan.groups if one.tag == verdict.tag)
    return {
        "tag": verdict.tag,
        "name": f"vote group, {group.need} of {len(group.members)}",
        "outcome": verdict.outcome,
        "facts": f"{', '.join(group.members)}; what a faulty member does: {group.faulty}; {len(shown.rounds)} rounds. "
        f"{verdict.why}",
        "strip": None,
        "findings": [_finding_row(finding, None) for finding in verdict.findings],
        "also": "",
    }


def _told_together(passed: Sequence[Finding]) -> str:
    """Passed criteria that need no row each, counted in one sentence."""
    counts = [(sum(f.kind == kind for f in passed), words) for kind, words in TOLD_TOGETHER.items()]
    parts = [f"{count} {words}" for count, words in counts if count]
    return f"Passed too: {', '.join(parts)}; figures in the bundle." if parts else ""


def _air(events: Sequence[Event]) -> list[tuple[str, str]]:
    """The day's air, where it was measured."""
    last = next((event for event in reversed(events) if isinstance(event, AirMeasured)), None)
    if last is None:
        return []
    parts = [f"{last.pressure_pa / 100:.1f} hPa"] if last.pressure_pa is not None else []
    parts += [f"{last.temperature_k - 273.15:.1f} °C"] if last.temperature_k is not None else []
    return [("air measured", ", ".join(parts))] if parts else []


def _cylinders(plan: Plan, uses: Sequence[BottleUse]) -> list[dict[str, str]]:
    used: dict[str, list[str]] = {}
    for detector in plan.detectors:
        used.setdefault(detector.cylinder, []).append(detector.tag)
    for group in plan.groups:
        for part in group.parts:
            if group.tag not in used.setdefault(part.cylinder, []):
                used[part.cylinder].append(group.tag)
    of_gas = {use.cylinder.tag: use for use in uses}
    rows = []
    for tag, detectors in used.items():
        cylinder = plan.site.cylinder(tag)
        scale, unit = (1e4, "%vol") if cylinder.level_ppm >= 10_000 else (1.0, "ppm")
        level_in_unit = with_uncertainty(cylinder.level_ppm / scale, COVERAGE_K * cylinder.u_ppm / scale)
        rows.append(
            {
                "tag": tag,
                "gas": cylinder.gas
                if cylinder.surrogate_for is None
                else f"{cylinder.gas} for {cylinder.surrogate_for}",
                "level": f"{level_in_unit} {unit}",
                "balance": cylinder.balance,
                "certificate": cylinder.certificate,
                "expires": cylinder.expires.isoformat(),
                "used": ", ".join(detectors),
                "gas_used": _gas_used(of_gas.get(tag)),
            }
        )
    return rows


def _gas_used(use: BottleUse | None) -> str:
    """Gauges before and after in bar, gas used with U (k = 2) and planned in litres; what was not read is a dash."""
    if use is None:
        return "-"
    before, after = ("-" if p is None else f"{p / 1e5:.4g}" for p in (use.before_pa, use.after_pa))
    used = "-" if use.used_m3 is None else f"{use.used_m3 * 1e3:.1f} ± {2e3 * use.u_m3:.1f}"
    planned = "-" if use.planned_m3 is None else f"{use.planned_m3 * 1e3:.1f}"
    return f"{before} / {after} bar; {used} / {planned} L"


def _cautions(plan: Plan) -> list[tuple[str, list[str]]]:
    """The plan's cautions by bottle; what is said of more than one bottle is said once."""
    tags = {cylinder.tag for cylinder in plan.site.cylinders}
    by_text: dict[str, list[str]] = {}
    for caution in plan.cautions:
        tag, _, text = caution.partition(": ")
        by_text.setdefault(text if tag in tags else caution, []).append(tag if tag in tags else "Always")
    groups: dict[str, list[str]] = {}
    for text, owners in by_text.items():
        groups.setdefault(owners[0] if len(owners) == 1 else "Always", []).append(text)
    return sorted(groups.items(), key=lambda group: group[0] == "Always")


def _in_two_columns(groups: list[tuple[str, list[str]]]) -> list[list[tuple[str, list[str]]]]:
    """The groups in order, cut where both columns come nearest to the same length."""
    lengths = [40 + sum(len(text) + 40 for text in texts) for _, texts in groups]
    cut = min(range(len(groups) + 1), key=lambda k: abs(sum(lengths[:k]) - sum(lengths[k:])))
    return [groups[:cut], groups[cut:]]


def _inhibits(events: Sequence[Event]) -> list[dict[str, str]]:
    rows: dict[str, dict[str, str]] = {}
    for event in events:
        if isinstance(event, InhibitMoved):
            row = rows.setdefault(event.effect, {"effect": event.effect, "placed": "-", "lifted": "-", "proven": "-"})
            row[event.state] = time_of_day(event.wall)
    return list(rows.values())


def _told(events: Sequence[Event]) -> list[dict[str, str]]:
    rows: dict[str, dict[str, str]] = {}
    for event in events:
        if isinstance(event, RoleTold):
            rows.setdefault(event.role, {"role": event.role, "begins": "-", "over": "-"})[event.what] = time_of_day(
                event.wall
            )
    return list(rows.values())
