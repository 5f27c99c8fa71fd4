"""From a series to a judgement: every criterion of the plan becomes a finding, the worst finding rules."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Literal

from gaswitness.evidence.series import Series, Trace
from gaswitness.evidence.trials import StepSpan
from gaswitness.judge import alarms, effects, loudness, reading, standing, visit, votes
from gaswitness.judge.bottles import blamed, bottle_notes, low_bottles
from gaswitness.judge.budget import Budget
from gaswitness.judge.case import Case, case_of, typed
from gaswitness.judge.causes import Diagnosis, diagnose
from gaswitness.judge.finding import SEVERITY, aborted, judged, not_tested, worst
from gaswitness.judge.patience import cut_short
from gaswitness.judge.records import Finding, Judgement, Outcome, Stray, Verdict
from gaswitness.judge.strays import strays_of
from gaswitness.plan.records import Criterion, CriterionKind
from gaswitness.run.events import Event, MarkMade, ReadingTaken
from gaswitness.sentence import figure, listed, opened, said, together
from gaswitness.wording import number, word

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
    "latched": standing.latched,
    "reset": standing.reset,
    "fault": standing.fault,
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
    whole = tuple(VISIT_JUDGES[c.kind](series, c) for c in series.plan.criteria if _of_visit(c) and c not in left_out)
    groups = tuple(_group(series, part.tag, strays) for part in series.plan.groups)
    outcomes: list[Outcome] = [v.outcome for v in (*verdicts, *groups)] + [finding.outcome for finding in whole]
    return Judgement(
        run_id=series.run_id,
        ledger_sha256=series.ledger_sha256,
        outcome=worst(outcomes),
        interrupted=series.interrupted,
        complete=series.stopped is not None and series.stopped.outcome == "complete",
        verdicts=tuple(verdicts),
        visit=whole,
        effects=(
            *effects.effect_lines(series, rows),
            *(line for verdict in groups for line in votes.group_lines(series, verdict.tag, verdict.findings)),
        ),
        strays=strays,
        notes=(*_reopened(series), *_notes(series), *bottle_notes(series), *_unheard(left_out), *_restless(rows)),
        late=len(series.late) + len(series.after_end),
        groups=groups,
    )


def _of_visit(criterion: Criterion) -> bool:
    return criterion.tag is None and criterion.group is None


def _group(series: Series, tag: str, strays: tuple[Stray, ...]) -> Verdict:
    """The trial of one vote group."""
    criteria = [c for c in series.plan.criteria if c.group == tag]
    findings: list[Finding] = []
    for criterion in criteria:
        if criterion.kind == "no-stray":
            tried = any(trial.group == tag for trial in series.trials)
            finding = _no_stray(criterion, [s for s in strays if s.during == tag], tag, tried=tried)
        else:
            finding = votes.judge_vote(series, criterion)
        findings.append(_broken_off(series, criterion, finding))
    return _verdict(tag, criteria, findings)


def _detector(
    series: Series, tag: str, criteria: list[Criterion], strays: tuple[Stray, ...]
) -> list[tuple[Case, Criterion, Finding]]:
    trials = series.tests_of(tag)
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
            finding = _no_stray(
                criterion, [s for s in strays if s.during == tag], tag, tried=found_case.trial is not None
            )
        else:
            finding = CASE_JUDGES[criterion.kind](case, criterion, known[id(case)])
            if finding.outcome in ("fail", "error") and (too_soon := cut_short(case, criterion)):
                finding = not_tested(criterion, too_soon)
        rows.append((case, criterion, blamed(_broken_off(series, criterion, finding), low)))
    return rows


def _no_stray(criterion: Criterion, strays: list[Stray], tag: str, *, tried: bool) -> Finding:
    if not tried:
        return not_tested(criterion, said("{tag} was not under test.", tag=tag))
    if not strays:
        return judged(criterion, 0.0, Budget(), said("Nothing happened that no cause explains."))
    told = list(dict.fromkeys(stray.explanation for stray in strays))
    return judged(criterion, float(len(strays)), Budget(), said("{strays}.", strays=listed(told, "; ")), told)


def _broken_off(series: Series, criterion: Criterion, finding: Finding) -> Finding:
    """What could not be shown because the visit was broken off is said to be aborted, not left out."""
    if finding.outcome != "not tested" or series.stopped is None or series.stopped.outcome != "aborted":
        return finding
    reason = series.stopped.why
    over = said("The visit was broken off ({reason}).", reason=reason) if reason else said("The visit was broken off.")
    return aborted(criterion, together(over, finding.why))


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
        return said("Nothing was tested.")
    replaced = [f for f in findings if f not in counting and f.outcome != "pass"]
    adjusted = ""
    if replaced:
        cause = next((f.causes[0] for f in replaced if f.causes), "")
        short_ones = _names(replaced)
        adjusted = (
            said(
                "As found, {criteria} fell short ({cause}); adjusted and tested again.",
                criteria=short_ones,
                cause=cause,
            )
            if cause
            else said("As found, {criteria} fell short; adjusted and tested again.", criteria=short_ones)
        )
    if outcome == "pass":
        return together(said("All {counting} criteria met.", counting=len(counting)), adjusted)
    short = [f for f in counting if f.outcome == outcome]
    by_weight = sorted(findings, key=lambda f: SEVERITY.index(f.outcome))
    first = next((f.causes[0] for f in by_weight if f.causes), "")
    found = said(
        "{short} of {counting} criteria: {outcome} ({criteria}).",
        short=len(short),
        counting=len(counting),
        outcome=word(outcome),
        criteria=_names(short),
    )
    return together(found, said("Most likely: {cause}.", cause=first) if first else "", adjusted)


def _names(findings: list[Finding]) -> str:
    names = [f.criterion.partition("/")[2] for f in findings]
    return _first_few(names, 4, ", ")


def _reopened(series: Series) -> list[str]:
    """What came in after the run had ended, and whether it counts."""
    notes = []
    if series.late:
        notes.append(
            said("Came in after the run had ended, and is judged with the rest: {late}.", late=_what_came(series.late))
        )
    if series.after_end:
        notes.append(
            said(
                "Came in late and is of a moment after the end, so it is kept only: {after_end}.",
                after_end=_what_came(series.after_end),
            )
        )
    if series.late_torn_bytes:
        notes.append(
            said(
                "{late_torn_bytes} bytes of unfinished late marks are not read.", late_torn_bytes=series.late_torn_bytes
            )
        )
    return notes


def _what_came(events: tuple[Event, ...]) -> str:
    came = [
        _mark_words(event)
        if isinstance(event, MarkMade)
        else said("a reading of {tag} typed at {t} s", tag=event.tag, t=figure(event.t_s, ".1f"))
        for event in events
        if isinstance(event, MarkMade | ReadingTaken)
    ]
    return _first_few(came, 6, "; ")


def _mark_words(mark: MarkMade) -> str:
    what = {"signal": mark.signal.removesuffix(".on"), "t": figure(mark.t_s, ".1f"), "witness": mark.witness}
    if mark.on:
        return said("{signal} on at {t} s by {witness}", **what)
    return said("{signal} off at {t} s by {witness}", **what)


def _first_few(texts: list[str], most: int, between: Literal[", ", "; "]) -> str:
    first = listed(texts[:most], between)
    if len(texts) <= most:
        return first
    return said("{first} and {more} more", first=first, more=len(texts) - most)


def _notes(series: Series) -> list[str]:
    notes = []
    for gap in series.gaps:
        notes.append(said("The run was cut off and went on {gap} s later.", gap=number(gap.until_s - gap.from_s)))
    if series.torn_bytes:
        notes.append(said("{torn_bytes} bytes of an unfinished line were set aside.", torn_bytes=series.torn_bytes))
    if series.stopped is None:
        notes.append(said("The record ends without a stop: the run was cut off, or this is not its last part."))
    elif series.stopped.outcome != "complete":
        outcome, reason = word(series.stopped.outcome), series.stopped.why
        notes.append(
            said("The run was {outcome}: {reason}.", outcome=outcome, reason=reason)
            if reason
            else said("The run was {outcome}.", outcome=outcome)
        )
    for outage in series.outages:
        notes.append(
            said("A link was down for {down} s: {what}.", down=number(outage.until_s - outage.from_s), what=outage.what)
        )
    notes += [_typed(tag, trace) for tag, trace in series.traces.items() if typed(trace)]
    for mark in series.marks:
        if mark.corrects:
            notes.append(
                said(
                    "{witness} corrected mark {corrects} by {mark_id}; both are kept.",
                    witness=mark.witness,
                    corrects=mark.corrects,
                    mark_id=mark.mark_id,
                )
            )
    timed_out = [span for span in series.steps if span.state == "timed-out"]
    notes += [_late(span) for span in timed_out]
    for entry in series.plan.not_shown:
        what = said("{cause} to {effect}", cause=entry.cause, effect=entry.effect) if entry.effect else entry.cause
        notes.append(said("Not shown by this plan: {what}, because {why}.", what=what, why=entry.why))
    if series.simulated:
        notes.append(said("Simulated installation: nothing here was measured on a real one."))
    return notes


def _typed(tag: str, trace: Trace) -> str:
    return said(
        "{tag}: no link brought its reading; {count} readings were typed by hand. What lies between them, and when "
        "people marked what, is known less well: the uncertainty of each finding has that in it.",
        tag=tag,
        count=number(float(trace.t_s.size)),
    )


def _unheard(left_out: list[Criterion]) -> list[str]:
    """Posts at which nobody measured, which is no shortfall and no proof either."""
    return [
        said(
            "No sound level was measured at {post}: whether {effect} is loud enough there was not shown.",
            post=c.post or "",
            effect=c.effect or "",
        )
        for c in left_out
    ]


def _restless(rows: list[tuple[Case, Criterion, Finding]]) -> list[str]:
    """A noisy reading may still pass everything; it is told all the same."""
    cases = {id(case): case for case, _, _ in rows}
    texts = [text for case in cases.values() for text in diagnose(case).texts("noisy")]
    return [opened(said("{text}.", text=text)) for text in dict.fromkeys(texts)]


def _late(span: StepSpan) -> str:
    return said("Step {id} ran out of time.", id=span.step.id)


__all__ = ["judge"]
