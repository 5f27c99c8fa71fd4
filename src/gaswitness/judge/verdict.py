"""From a series to a judgement: every criterion of the plan becomes a finding, the worst finding rules."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from gaswitness.evidence.series import Series, StepSpan
from gaswitness.judge import alarms, effects, loudness, reading, visit
from gaswitness.judge.bottles import blamed, bottle_notes, low_bottles
from gaswitness.judge.budget import Budget
from gaswitness.judge.case import Case, case_of
from gaswitness.judge.causes import Diagnosis, diagnose
from gaswitness.judge.finding import SEVERITY, aborted, judged, not_tested, worst
from gaswitness.judge.patience import cut_short
from gaswitness.judge.records import Finding, Judgement, Outcome, Stray, Verdict
from gaswitness.judge.strays import strays_of
from gaswitness.plan.records import Criterion, CriterionKind
from gaswitness.run.events import Event, MarkMade, ReadingTaken
from gaswitness.wording import number

CaseJudge = Callable[[Case, Criterion, Diagnosis], Finding]

CASE_JUDGES: Mapping[CriterionKind, CaseJudge] = {
    "zero": reading.zero,
    "span": reading.span,
    "t90": reading.t90,
    "t10": reading.t10,
    "set-level": alarms.set_level,
    "clear-level": alarms.clear_level,
    "deadband": alarms.deadband,
    "set-time": alarms.set_time,
    "latched": alarms.latched,
    "reset": alarms.reset,
    "fault": alarms.fault,
    "effect": effects.effect,
    "effect-pattern": effects.pattern,
    "silenced": effects.silenced,
}
"""Criteria on one detector; `no-stray`, and those of the whole visit, are judged from everything at once."""

VISIT_JUDGES: Mapping[CriterionKind, Callable[[Series, Criterion], Finding]] = {
    "inhibit-lifted": visit.inhibit_lifted,
    "warned": visit.warned,
    "audible": loudness.audible,
}


def judge(series: Series) -> Judgement:
    """Judge everything that the plan asks for. The same series always gives the same judgement."""
    strays = strays_of(series)
    verdicts: list[Verdict] = []
    rows: list[tuple[Case, Criterion, Finding]] = []
    for part in series.plan.detectors:
        criteria = [c for c in series.plan.criteria if c.tag == part.tag]
        found = _detector(series, part.tag, criteria, strays)
        rows += found
        verdicts.append(_verdict(part.tag, criteria, [finding for _, _, finding in found]))
    left_out = [c for c in series.plan.criteria if c.kind == "audible" and loudness.measured_at(series, c) is None]
    whole = tuple(VISIT_JUDGES[c.kind](series, c) for c in series.plan.criteria if c.tag is None and c not in left_out)
    outcomes: list[Outcome] = [v.outcome for v in verdicts] + [finding.outcome for finding in whole]
    return Judgement(
        run_id=series.run_id,
        ledger_sha256=series.ledger_sha256,
        outcome=worst(outcomes),
        interrupted=series.interrupted,
        complete=series.stopped is not None and series.stopped.outcome == "complete",
        verdicts=tuple(verdicts),
        visit=whole,
        effects=effects.effect_lines(series, rows),
        strays=strays,
        notes=(*_reopened(series), *_notes(series), *bottle_notes(series), *_unheard(left_out), *_restless(rows)),
        late=len(series.late) + len(series.after_end),
    )


def _detector(
    series: Series, tag: str, criteria: list[Criterion], strays: tuple[Stray, ...]
) -> list[tuple[Case, Criterion, Finding]]:
    trials = series.trials_of(tag)
    found_case = case_of(series, tag, next((t for t in reversed(trials) if not t.as_left), None))
    left_case = case_of(series, tag, next((t for t in reversed(trials) if t.as_left), None))
    low = low_bottles(series).get(tag, "")
    known = {id(case): diagnose(case) for case in (found_case, left_case)}
    rows = []
    for criterion in criteria:
        case = left_case if criterion.optional else found_case
        if criterion.optional and case.trial is None:
            continue
        if criterion.kind == "no-stray":
            finding = _no_stray(criterion, [s for s in strays if s.during == tag], found_case)
        else:
            finding = CASE_JUDGES[criterion.kind](case, criterion, known[id(case)])
            if finding.outcome in ("fail", "error") and (too_soon := cut_short(case, criterion)):
                finding = not_tested(criterion, too_soon)
        rows.append((case, criterion, blamed(_broken_off(series, criterion, finding), low)))
    return rows


def _no_stray(criterion: Criterion, strays: list[Stray], case: Case) -> Finding:
    if case.trial is None:
        return not_tested(criterion, f"{case.tag} was not under test.")
    if not strays:
        return judged(criterion, 0.0, Budget(), "Nothing happened that no cause explains.")
    told = list(dict.fromkeys(stray.explanation for stray in strays))
    return judged(criterion, float(len(strays)), Budget(), f"{'; '.join(told)}.", told)


def _broken_off(series: Series, criterion: Criterion, finding: Finding) -> Finding:
    """What could not be shown because the visit was broken off is said to be aborted, not left out."""
    if finding.outcome != "not tested" or series.stopped is None or series.stopped.outcome != "aborted":
        return finding
    reason = f" ({series.stopped.reason})" if series.stopped.reason else ""
    return aborted(criterion, f"The visit was broken off{reason}. {finding.why}")


def _verdict(tag: str, criteria: list[Criterion], findings: list[Finding]) -> Verdict:
    """The worst finding rules; what was found before an adjustment is shown, and what was left counts."""
    kinds = {c.id: (c.kind, c.point, c.effect) for c in criteria}
    optional = {c.id for c in criteria if c.optional}
    left = {kinds[f.criterion] for f in findings if f.criterion in optional}
    counting = [f for f in findings if f.criterion in optional or kinds[f.criterion] not in left]
    outcome = worst(f.outcome for f in counting)
    return Verdict(tag=tag, outcome=outcome, why=_why(outcome, counting, findings), findings=tuple(findings))


def _why(outcome: Outcome, counting: list[Finding], findings: list[Finding]) -> str:
    if not findings:
        return "Nothing was tested."
    replaced = [f for f in findings if f not in counting and f.outcome != "pass"]
    adjusted = ""
    if replaced:
        cause = next((f" ({f.causes[0]})" for f in replaced if f.causes), "")
        adjusted = f" As found, {_names(replaced)} fell short{cause}; adjusted and tested again."
    if outcome == "pass":
        return f"All {len(counting)} criteria met.{adjusted}"
    short = [f for f in counting if f.outcome == outcome]
    by_weight = sorted(findings, key=lambda f: SEVERITY.index(f.outcome))
    first = next((f.causes[0] for f in by_weight if f.causes), "")
    cause = f" Most likely: {first}." if first else ""
    return f"{len(short)} of {len(counting)} criteria: {outcome} ({_names(short)}).{cause}{adjusted}"


def _names(findings: list[Finding]) -> str:
    names = [f.criterion.partition("/")[2] for f in findings]
    return ", ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")


def _reopened(series: Series) -> list[str]:
    """What came in after the run had ended, and whether it counts."""
    notes = []
    if series.late:
        notes.append(f"Came in after the run had ended, and is judged with the rest: {_what_came(series.late)}.")
    if series.after_end:
        notes.append(
            f"Came in late and is of a moment after the end, so it is kept only: {_what_came(series.after_end)}."
        )
    if series.late_torn_bytes:
        notes.append(f"{series.late_torn_bytes} bytes of unfinished late marks are not read.")
    return notes


def _what_came(events: tuple[Event, ...]) -> str:
    said = [
        f"{event.signal.removesuffix('.on')} {'on' if event.on else 'off'} at {event.t_s:.1f} s by {event.witness}"
        if isinstance(event, MarkMade)
        else f"a reading of {event.tag} typed at {event.t_s:.1f} s"
        for event in events
        if isinstance(event, MarkMade | ReadingTaken)
    ]
    return "; ".join(said[:6]) + (f" and {len(said) - 6} more" if len(said) > 6 else "")


def _notes(series: Series) -> list[str]:
    notes = []
    for gap in series.gaps:
        notes.append(f"The run was cut off and went on {number(gap.until_s - gap.from_s)} s later.")
    if series.torn_bytes:
        notes.append(f"{series.torn_bytes} bytes of an unfinished line were set aside.")
    if series.stopped is None:
        notes.append("The record ends without a stop: the run was cut off, or this is not its last part.")
    elif series.stopped.outcome != "complete":
        reason = f": {series.stopped.reason}" if series.stopped.reason else ""
        notes.append(f"The run was {series.stopped.outcome}{reason}.")
    for outage in series.outages:
        notes.append(f"A link was down for {number(outage.until_s - outage.from_s)} s: {outage.what}.")
    for mark in series.marks:
        if mark.corrects:
            notes.append(f"{mark.witness} corrected mark {mark.corrects} by {mark.mark_id}; both are kept.")
    timed_out = [span for span in series.steps if span.state == "timed-out"]
    notes += [_late(span) for span in timed_out]
    for entry in series.plan.not_shown:
        what = f"{entry.cause} to {entry.effect}" if entry.effect else entry.cause
        notes.append(f"Not shown by this plan: {what}, because {entry.why}.")
    if series.simulated:
        notes.append("Simulated installation: nothing here was measured on a real one.")
    return notes


def _unheard(left_out: list[Criterion]) -> list[str]:
    """Posts at which nobody measured, which is no shortfall and no proof either."""
    return [
        f"No sound level was measured at {c.post}: whether {c.effect} is loud enough there was not shown."
        for c in left_out
    ]


def _restless(rows: list[tuple[Case, Criterion, Finding]]) -> list[str]:
    """A noisy reading may still pass everything; it is told all the same."""
    cases = {id(case): case for case, _, _ in rows}
    texts = [text for case in cases.values() for text in diagnose(case).texts("noisy")]
    return [f"{text[0].upper()}{text[1:]}." for text in dict.fromkeys(texts)]


def _late(span: StepSpan) -> str:
    return f"Step {span.step.id} ran out of time."


__all__ = ["judge"]
