"""A certificate on paper: a view of the payload and its ledger. It draws and words; it judges nothing."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from gaswitness.certify.labels import LABELS, TOLD_IN_ANOTHER_LANGUAGE
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
from gaswitness.sentence import Figure, figure, listed, said, together
from gaswitness.site.records import Detector
from gaswitness.telling import Teller
from gaswitness.wording import amount, between, level, number, probability, scale_ppm, with_uncertainty, word

TEMPLATE = Path(__file__).with_name("certificate.typ")

ALWAYS = said("Always")
TOLD_TOGETHER = {
    "effect": said("effects in time (see matrix)"),
    "effect-pattern": said("patterns as configured"),
    "latched": said("latched or free as configured"),
    "silenced": said("sounders stopped on silence"),
    "reset": said("cleared on reset"),
    "fault": said("open signal seen as a fault"),
    "no-stray": said("watch that nothing else happened"),
}
"""Kinds of criterion that are told in one sentence where they passed."""


def certificate_pdf(
    payload: CertificatePayload, ledger: Ledger, body: bytes, *, signer: str, issued: datetime, language: str = "en"
) -> bytes:
    """Typeset the certificate in a language; `body` are the signed bytes, whose digest is printed."""
    view = certificate_view(payload, ledger, hashlib.sha256(body).hexdigest(), signer)
    view["signed_in"] = "" if language == "en" else TOLD_IN_ANOTHER_LANGUAGE
    tell = Teller(language, ledger.started.plan.wording)
    return typeset(TEMPLATE, view, issued, words=LABELS, tell=tell)


def certificate_view(payload: CertificatePayload, ledger: Ledger, digest: str, signer: str) -> dict[str, Any]:
    """Everything the template prints, worded and rounded, as sentences that can be told in any language."""
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
            (said("tested"), instant(payload.started)),
            (said("ended"), instant(payload.ended)),
            (said("operator"), payload.operator),
            (said("run"), payload.run_id),
            *_air(events),
        ],
        "notices": _notices(payload, events),
        "summary": [_summary_row(verdict, plan, payload) for verdict in judgement.verdicts],
        # where it passed, what was found says again what was asked for
        "visit": [
            {"outcome": f.outcome, "text": "" if f.outcome == "pass" else f.text, "why": f.why} for f in judgement.visit
        ],
        "punch": _punch_list(judgement),
        "matrix": _matrix(plan, judgement),
        "strays": [
            said(
                "{signal} during the test of {tag}: {why}",
                signal=stray.signal,
                tag=stray.during,
                why=stray.explanation,
            )
            for stray in judgement.strays
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
        what = said("This run was made on a simulation; it proves nothing about a real one.")
        if payload.speed != 1:
            what = said(
                "This run was made on a simulation at {speed} times the speed of life; it proves nothing about a real "
                "one.",
                speed=figure(payload.speed, "g"),
            )
        notices.append((said("Simulated installation."), what))
    notices += [(said("Interrupted run."), _gap(event)) for event in events if isinstance(event, RunResumed)]
    for tag, qualities in _qualities(events).items():
        if set(qualities) == {"by-hand"}:
            typed = said(
                "{tag}: {count} readings were typed by hand, no link brought any; U of each finding has in it what "
                "that costs in certainty.",
                tag=tag,
                count=qualities["by-hand"],
            )
            notices.append((said("No link."), typed))
    if payload.late_sha256 is not None:
        notices.append((said("Judged again."), _reopened(payload)))
    if not payload.judgement.complete:
        notices.append((said("Not complete."), said("The run was not carried through to its end.")))
    return notices


def _gap(event: RunResumed) -> str:
    gap_s, until = figure(event.gap_s), instant(event.wall)
    if not event.torn_bytes:
        return said("Nothing was recorded for {gap} s before {until}.", gap=gap_s, until=until)
    return said(
        "Nothing was recorded for {gap} s before {until}, {torn} bytes of an unfinished line were set aside.",
        gap=gap_s,
        until=until,
        torn=event.torn_bytes,
    )


def _qualities(events: Sequence[Event]) -> dict[str, Counter[str]]:
    """How often a reading of each detector came how."""
    found: dict[str, Counter[str]] = {}
    for event in events:
        if isinstance(event, ReadingTaken):
            found.setdefault(event.tag, Counter())[event.quality] += 1
    return found


def _reopened(payload: CertificatePayload) -> str:
    late = payload.judgement.late
    what = said("1 mark or typed reading") if late == 1 else said("{count} marks or typed readings", count=late)
    return said(
        "{what} came in after the run had ended, and stand beside the ledger in the bundle. Without them the outcome "
        "was: {outcome}.",
        what=what,
        outcome=word(str(payload.outcome_at_end)),
    )


def _finding(verdict: Verdict, kind: str) -> Finding | None:
    return next((f for f in verdict.findings if f.kind == kind), None)


def _summary_row(verdict: Verdict, plan: Plan, payload: CertificatePayload) -> dict[str, str]:
    detector = plan.site.detector(verdict.tag)
    span, t90 = _finding(verdict, "span"), _finding(verdict, "t90")
    return {
        "tag": verdict.tag,
        "place": listed((detector.gas, plan.site.area(detector.area).name)),
        "outcome": verdict.outcome,
        "gas": level(detector, plan.detector(verdict.tag).bottle_ppm),
        "reading": found_and_limits(span, detector)[0] if span else "-",
        "t90": found_and_limits(t90, detector)[0] if t90 else "-",
        "due": payload.next_due.get(verdict.tag) or said("not set"),
    }


def _punch_list(judgement: Judgement) -> list[dict[str, str]]:
    """What fell short, findings of one detector with the same first cause together."""
    groups: dict[tuple[str, str, str], list[Finding]] = {}
    judged = [(verdict.tag, verdict.findings) for verdict in (*judgement.verdicts, *judgement.groups)]
    for tag, found in [*judged, (said("visit"), judgement.visit)]:
        for finding in found:
            if finding.outcome != "pass":
                cause = finding.causes[0] if finding.causes else finding.why
                groups.setdefault((tag, finding.outcome, cause), []).append(finding)
    rows = []
    for (tag, outcome, _), findings in groups.items():
        first = findings[0]
        causes = [cause for cause in first.causes if cause not in first.why]
        more = [said("And {count} more.", count=len(findings) - 2)] if len(findings) > 2 else []
        rows.append(
            {
                "what": tag,
                "outcome": outcome,
                "why": together(*(finding.text for finding in findings[:2]), *more, first.why),
                "causes": listed(causes[:3], "; "),
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
    note = said("Not part of this visit: {tags}.", tags=listed(others)) if others else ""
    return {"effects": [(e.tag, word(e.kind)) for e in effects], "rows": rows, "note": note}


def _delay(delay_s: float | None) -> str:
    return "" if delay_s is None else Figure(f"{delay_s:.1f}".replace("-0.0", "0.0"))


def _detector(verdict: Verdict, plan: Plan, events: Sequence[Event]) -> dict[str, Any]:
    detector = plan.site.detector(verdict.tag)
    scale, unit = scale_ppm(detector)
    told_apart = [f for f in verdict.findings if f.outcome != "pass" or f.kind not in TOLD_TOGETHER]
    return {
        "tag": detector.tag,
        "name": detector.name,
        "outcome": verdict.outcome,
        "facts": together(
            said(
                "{gas}, {area}; range {reach}; resolution {resolution}; stated t90 {t90}.",
                gas=detector.gas,
                area=plan.site.area(detector.area).name,
                reach=between(detector, detector.range_low_ppm, detector.range_high_ppm),
                resolution=amount(number(detector.resolution_ppm / scale), unit),
                t90=amount(figure(detector.t90_s, "g"), "s"),
            ),
            verdict.why,
        ),
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
        "rule": word(finding.rule),
        "p": probability(finding.p_conform),
        "outcome": finding.outcome,
        "why": "" if finding.outcome == "pass" else finding.why,
    }


def _group_row(verdict: Verdict, plan: Plan) -> dict[str, str]:
    group = next(one for one in plan.groups if one.tag == verdict.tag)
    return {
        "tag": verdict.tag,
        "vote": said("{need} of {members}", need=group.need, members=group.of),
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
        "name": said("vote group, {need} of {members}", need=group.need, members=len(group.members)),
        "outcome": verdict.outcome,
        "facts": together(
            said(
                "{members}; what a faulty member does: {faulty}; {rounds} rounds.",
                members=listed(group.members),
                faulty=word(group.faulty),
                rounds=len(shown.rounds),
            ),
            verdict.why,
        ),
        "strip": None,
        "findings": [_finding_row(finding, None) for finding in verdict.findings],
        "also": "",
    }


def _told_together(passed: Sequence[Finding]) -> str:
    """Passed criteria that need no row each, counted in one sentence."""
    counts = [(sum(f.kind == kind for f in passed), words) for kind, words in TOLD_TOGETHER.items()]
    parts = [said("{count} {what}", count=count, what=words) for count, words in counts if count]
    return said("Passed too: {what}; figures in the bundle.", what=listed(parts)) if parts else ""


def _air(events: Sequence[Event]) -> list[tuple[str, str]]:
    """The day's air, where it was measured."""
    last = next((event for event in reversed(events) if isinstance(event, AirMeasured)), None)
    if last is None:
        return []
    parts = [amount(figure(last.pressure_pa / 100, ".1f"), "hPa")] if last.pressure_pa is not None else []
    parts += [amount(figure(last.temperature_k - 273.15, ".1f"), "°C")] if last.temperature_k is not None else []
    return [(said("air measured"), listed(parts))] if parts else []


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
                else said("{gas} for {surrogate}", gas=cylinder.gas, surrogate=cylinder.surrogate_for),
                "level": amount(level_in_unit, unit),
                "balance": word(cylinder.balance),
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
    gauges = ["-" if p is None else figure(p / 1e5, ".4g") for p in (use.before_pa, use.after_pa)]
    used = "-" if use.used_m3 is None else Figure(f"{use.used_m3 * 1e3:.1f} ± {2e3 * use.u_m3:.1f}")
    planned = "-" if use.planned_m3 is None else figure(use.planned_m3 * 1e3, ".1f")
    bar, litres = (amount(listed(two, " / "), unit) for two, unit in ((gauges, "bar"), ((used, planned), "L")))
    return listed((bar, litres), "; ")


def _cautions(plan: Plan) -> list[tuple[str, list[str]]]:
    """The plan's cautions by bottle; what is said of more than one bottle is said once."""
    tags = {cylinder.tag for cylinder in plan.site.cylinders}
    by_text: dict[str, list[str]] = {}
    for caution in plan.cautions:
        tag, _, text = caution.partition(": ")
        by_text.setdefault(text if tag in tags else caution, []).append(tag if tag in tags else ALWAYS)
    groups: dict[str, list[str]] = {}
    for text, owners in by_text.items():
        groups.setdefault(owners[0] if len(owners) == 1 else ALWAYS, []).append(text)
    return sorted(groups.items(), key=lambda group: group[0] == ALWAYS)


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
