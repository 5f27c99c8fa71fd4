"""Does it alarm where it should? Set and clear levels, deadband, times."""

from __future__ import annotations

import math
from dataclasses import dataclass

from gaswitness.alarms import replay
from gaswitness.evidence.series import Edge
from gaswitness.evidence.timeline import uniform_u
from gaswitness.judge.budget import Budget, Term
from gaswitness.judge.case import Case, Passing
from gaswitness.judge.causes import GAS, Diagnosis
from gaswitness.judge.decide import COVERAGE_K
from gaswitness.judge.effects import MISSED
from gaswitness.judge.finding import broken, fell_short, inconclusive, judged, not_tested
from gaswitness.judge.reading import poll_of
from gaswitness.judge.records import Finding
from gaswitness.plan.records import Criterion
from gaswitness.sentence import said, together
from gaswitness.site.points import alarm_points
from gaswitness.site.records import AlarmPointSpec
from gaswitness.wording import number

MISSED_POLLS = 1.6
"""A bracket wider than this many polls had at least one missed within it."""


@dataclass(frozen=True, slots=True)
class LevelAtEdge:
    """The reading at the moment that made a point set or clear, with its budget."""

    level_ppm: float
    budget: Budget
    passing: Passing


def _spec(case: Case, criterion: Criterion) -> AlarmPointSpec:
    return case.detector.alarm(criterion.point or "")


def level_at(case: Case, edge: Edge, delay_s: float) -> LevelAtEdge | None:
    """Reading when the panel's condition became true: edge less delay less half a scan.

    The moment is uncertain by the bracket of the two polls (or the witness's reaction and clock) and by the scan; with
    the slope of the reading there, that becomes an uncertainty of level. One noisy, rounded reading decided, so noise
    and resolution count in full. The age of a reading acts alike on every edge: rising and falling slopes then pull a
    set and a clear level in opposite directions, and the term is shared so that a deadband sees both.
    """
    scan_s = case.series.plan.site.panel.scan_s
    at_s = edge.at.t_s - delay_s - scan_s / 2
    passing = case.passing(at_s)
    if passing is None:
        return None
    seen = "poll" if edge.seen_by == "panel" else "reaction and clock of the witness"
    slope = passing.slope_ppm_s
    budget = Budget(
        (
            Term(f"{seen} x slope", slope * edge.at.u_s),
            Term("panel scan x slope", slope * uniform_u(scan_s)),
            Term("age of the reading x slope", slope * uniform_u(scan_s), shared=f"age:{case.tag}"),
            Term("noise of one reading", math.hypot(case.noise_ppm, passing.u_fit_ppm)),
            Term("resolution", case.u_resolution_ppm),
        )
    )
    return LevelAtEdge(passing.level_ppm, budget, passing)


def _not_set(case: Case, criterion: Criterion, diagnosis: Diagnosis) -> Finding:
    """The point did not set: was it never tried, could it not be seen, or did it fall short?"""
    spec = _spec(case, criterion)
    signal = f"{case.tag}.{spec.name}"
    if case.trial is None:
        return not_tested(criterion, said("No gas was put on {tag}.", tag=case.tag))
    if not case.series.polled(signal) and signal not in case.series.edges:
        return not_tested(
            criterion, said("Nothing shows {signal}: neither a status bit nor a mark of a witness.", signal=signal)
        )
    if case.series.on_at(signal, case.trial.gas_on.t_s):
        return not_tested(criterion, said("{signal} was on before gas; it must be off first.", signal=signal))
    if case.outage:
        return broken(
            criterion,
            said("{signal} was not seen to set, and the link was down meanwhile.", signal=signal),
            diagnosis.texts("link"),
        )
    gas_s = case.gas_end_s - case.trial.gas_on.t_s
    due_s = next((entry.set_s[1] for entry in case.part.points if entry.point == spec.name), 0.0)
    if gas_s < due_s:
        text = said(
            "Gas flowed for {gas} s, and {signal} is due only by {due} s after gas on.",
            gas=number(gas_s),
            signal=signal,
            due=number(due_s),
        )
        return not_tested(criterion, text)
    text = said("{signal} did not set in {gas} s of gas.", signal=signal, gas=number(gas_s))
    return fell_short(criterion, text, _why_not_set(case, spec, diagnosis))


def _why_not_set(case: Case, spec: AlarmPointSpec, diagnosis: Diagnosis) -> list[str]:
    known = diagnosis.texts("words", "no-reading", "crossed", "frozen", "dead", "gain", "slow")
    reached = _furthest(case, spec)
    if reached is not None and not diagnosis.unusable:
        beyond = reached >= spec.set_ppm if spec.direction == "rising" else reached <= spec.set_ppm
        if beyond:
            names = {
                "point": f"{case.tag}.{spec.name}",
                "reached": case.words(reached),
                "stated": case.words(spec.set_ppm),
            }
            return [
                said("set point: {point} is set above {reached} at the panel, not at {stated}", **names)
                if spec.direction == "rising"
                else said("set point: {point} is set below {reached} at the panel, not at {stated}", **names),
                said("on-delay longer than stated, or the point is inhibited or switched off at the panel"),
                *known,
            ]
    return (
        [*known, GAS]
        if known
        else [GAS, said("set point: {tag}.{name} is not where the site says", tag=case.tag, name=spec.name)]
    )


def _furthest(case: Case, spec: AlarmPointSpec) -> float | None:
    """The level that the reading stayed beyond for a few readings under gas."""
    gas = case.under_gas
    if gas is None or gas.value_ppm.size < 5:
        return None
    ordered = sorted(gas.value_ppm)
    return float(ordered[-4] if spec.direction == "rising" else ordered[3])


def _blind(case: Case, edge: Edge) -> bool:
    """The edge fell into a time for which the link was down or the run cut off."""
    return edge.seen_by == "panel" and bool(case.series.broken(edge.earliest_s, edge.latest_s))


def _softened(case: Case, finding: Finding, *edges: Edge) -> Finding:
    """Outside the limits by less than it is uncertain, and only because polls came too far apart: that is no failure.

    The rule of the plan reckons with its own polls; where they were missed, a value just outside says nothing.
    """
    widest_s = max((e.latest_s - e.earliest_s for e in edges if e.seen_by == "panel"), default=0.0)
    near = finding.margin is not None and finding.u is not None and -finding.margin < COVERAGE_K * finding.u
    if finding.outcome != "fail" or not near or widest_s <= MISSED_POLLS * poll_of(case):
        return finding
    why = together(
        finding.why,
        said(
            "But {widest} s lay between the two polls around the edge (planned: {planned} s), so it is less far "
            "outside than it is uncertain; polls in time would settle it.",
            widest=number(widest_s),
            planned=number(poll_of(case)),
        ),
    )
    causes = (MISSED, *finding.causes)
    return finding.model_copy(update={"outcome": "inconclusive", "why": why, "causes": causes})


def _lost_edge(criterion: Criterion, edge: Edge, diagnosis: Diagnosis) -> Finding:
    wide = number(edge.latest_s - edge.earliest_s)
    text = (
        said("{signal} set at some moment of {wide} s for which nothing arrived.", signal=edge.signal, wide=wide)
        if edge.on
        else said(
            "{signal} cleared at some moment of {wide} s for which nothing arrived.", signal=edge.signal, wide=wide
        )
    )
    return broken(
        criterion, text, diagnosis.texts("link") or [said("link dropped: polls are missing around this edge")]
    )


def set_level(case: Case, criterion: Criterion, diagnosis: Diagnosis) -> Finding:
    """Reading at which the point set."""
    spec = _spec(case, criterion)
    edge = case.set_edge(spec)
    if edge is None or case.trial is None:
        return _not_set(case, criterion, diagnosis)
    if diagnosis.unusable:
        text = said(
            "{signal} set, but the reading at that moment cannot be judged: {unusable}.",
            signal=edge.signal,
            unusable=diagnosis.unusable,
        )
        return broken(criterion, text, [diagnosis.unusable])
    if _blind(case, edge):
        return _lost_edge(criterion, edge, diagnosis)
    found = level_at(case, edge, spec.on_delay_s)
    if found is None:
        return not_tested(
            criterion, said("{signal} set, but there are no readings around that moment.", signal=edge.signal)
        )
    why = together(
        said(
            "{signal} set {after} s after gas on, when the reading passed {value} at {slope} ppm/s.",
            signal=edge.signal,
            after=number(edge.at.t_s - case.trial.gas_on.t_s),
            value=case.words(found.level_ppm),
            slope=number(found.passing.slope_ppm_s),
        ),
        _rederived(case, spec, edge),
    )
    causes = [
        *diagnosis.texts("crossed", "frozen", "dead", "noisy"),
        said(
            "set point: {signal} is set near {value}, not at {stated}",
            signal=edge.signal,
            value=case.words(found.level_ppm),
            stated=case.words(spec.set_ppm),
        ),
        said("on-delay or panel scan not as stated"),
    ]
    return _softened(case, judged(criterion, found.level_ppm, found.budget, why, causes), edge)


def _rederived(case: Case, spec: AlarmPointSpec, edge: Edge) -> str:
    """What the alarm logic makes of the reading with the stated settings, where it differs from what was seen."""
    if case.trace is None or case.trial is None:
        return ""
    point = next(p for p in alarm_points(case.detector) if p.name == spec.name)
    part = case.trace.between(case.trial.from_s, case.gas_end_s)
    edges = replay(part.t_s, part.value_ppm, [point]).of("set")
    times = [float(t) for t in edges.t_s if t >= case.trial.gas_on.t_s - 1.0]
    if not times:
        return said("By the reading and the stated settings it should not have set at all.")
    scan_s, poll_s = case.series.plan.site.panel.scan_s, poll_of(case)
    passing = case.passing(times[0])
    slope = abs(passing.slope_ppm_s) if passing else 0.0
    u_noise_s = min(10.0, case.noise_ppm / slope) if slope > 0 else 10.0
    late_s = edge.at.t_s - times[0]
    allowed_s = 2 * math.sqrt(edge.at.u_s**2 + uniform_u(scan_s + poll_s) ** 2 + u_noise_s**2) + scan_s + poll_s
    if abs(late_s) <= allowed_s:
        return ""
    by = number(abs(late_s))
    if late_s > 0:
        return said("That is {by} s later than the stated settings make of the same reading.", by=by)
    return said("That is {by} s earlier than the stated settings make of the same reading.", by=by)


def clear_level(case: Case, criterion: Criterion, diagnosis: Diagnosis) -> Finding:
    """Reading at which the point cleared."""
    spec = _spec(case, criterion)
    stop = _before_clear(case, criterion, spec, diagnosis)
    if isinstance(stop, Finding):
        return stop
    edge = stop
    if diagnosis.unusable:
        text = said(
            "{signal} cleared, but the reading at that moment cannot be judged: {unusable}.",
            signal=edge.signal,
            unusable=diagnosis.unusable,
        )
        return broken(criterion, text, [diagnosis.unusable])
    found = level_at(case, edge, spec.off_delay_s)
    if found is None or case.trial is None or case.trial.gas_off is None:
        return not_tested(
            criterion, said("{signal} cleared, but there are no readings around that moment.", signal=edge.signal)
        )
    after_s = edge.at.t_s - case.trial.gas_off.t_s
    why = said(
        "{signal} cleared {after} s after gas off, when the reading passed {value}.",
        signal=edge.signal,
        after=number(after_s),
        value=case.words(found.level_ppm),
    )
    expected = case.words(spec.clear_ppm(case.detector.range_ppm))
    causes = [
        *diagnosis.texts("noisy"),
        said(
            "deadband or set point: {signal} clears near {value} at the panel, not at {expected}",
            signal=edge.signal,
            value=case.words(found.level_ppm),
            expected=expected,
        ),
        said("off-delay or panel scan not as stated"),
    ]
    return _softened(case, judged(criterion, found.level_ppm, found.budget, why, causes), edge)


def _before_clear(case: Case, criterion: Criterion, spec: AlarmPointSpec, diagnosis: Diagnosis) -> Finding | Edge:
    """The edge at which the point cleared, or why there is none to judge."""
    set_edge = case.set_edge(spec)
    if set_edge is None or case.trial is None:
        return not_tested(
            criterion,
            said("{tag}.{name} was not seen to set, so it had nothing to clear from.", tag=case.tag, name=spec.name),
        )
    if case.trial.gas_off is None:
        return not_tested(criterion, said("Gas was not shut off within the record."))
    edge = case.clear_edge(spec)
    if edge is not None:
        return _lost_edge(criterion, edge, diagnosis) if _blind(case, edge) else edge
    if case.series.on_at(set_edge.signal, case.trial.gas_off.t_s) is False:
        return inconclusive(
            criterion, said("{signal} had cleared before gas was shut off.", signal=set_edge.signal), [GAS]
        )
    waited_s = case.trial.until_s - case.trial.gas_off.t_s
    text = said("{signal} did not clear in {waited} s after gas off.", signal=set_edge.signal, waited=number(waited_s))
    causes = [
        *diagnosis.texts("frozen", "slow", "noisy"),
        said("the deadband reaches into the room's usual air, or gas was still there"),
        said("the point latches although the site says it does not"),
    ]
    return fell_short(criterion, text, causes)


def deadband(case: Case, criterion: Criterion, diagnosis: Diagnosis) -> Finding:
    """Distance between set and clear level; what both share is counted once, with its sign."""
    spec = _spec(case, criterion)
    if diagnosis.unusable:
        return broken(
            criterion,
            said("The levels cannot be judged: {unusable}.", unusable=diagnosis.unusable),
            [diagnosis.unusable],
        )
    set_edge = case.set_edge(spec)
    if set_edge is None:
        return not_tested(criterion, said("{tag}.{name} was not seen to set.", tag=case.tag, name=spec.name))
    if _blind(case, set_edge):
        return _lost_edge(criterion, set_edge, diagnosis)
    stop = _before_clear(case, criterion, spec, diagnosis)
    if isinstance(stop, Finding):
        return stop if stop.outcome != "fail" else not_tested(criterion, stop.why)
    upper, lower = level_at(case, set_edge, spec.on_delay_s), level_at(case, stop, spec.off_delay_s)
    if upper is None or lower is None:
        return not_tested(criterion, said("There are no readings around the edges."))
    sign = 1.0 if spec.direction == "rising" else -1.0
    band, budget = sign * (upper.level_ppm - lower.level_ppm), (upper.budget - lower.budget).scaled(sign)
    why = said(
        "It set at {upper} and cleared at {lower}.",
        upper=case.words(upper.level_ppm),
        lower=case.words(lower.level_ppm),
    )
    if -COVERAGE_K * budget.u <= band < 0:  # no deadband is below zero, so the nearest it can be is none
        below = said("A deadband is never below zero; {band} ppm is zero within its uncertainty.", band=number(band))
        why = together(why, below)
        band = 0.0
    causes = [
        *diagnosis.texts("noisy"),
        said("deadband of {tag}.{name} at the panel not as stated", tag=case.tag, name=spec.name),
    ]
    return _softened(case, judged(criterion, band, budget, why, causes), set_edge, stop)


def set_time(case: Case, criterion: Criterion, diagnosis: Diagnosis) -> Finding:
    """Time from gas on until the point set, against its prediction."""
    spec = _spec(case, criterion)
    edge = case.set_edge(spec)
    if edge is None or case.trial is None:
        return _not_set(case, criterion, diagnosis)
    if _blind(case, edge):
        return _lost_edge(criterion, edge, diagnosis)
    after_s = edge.at.t_s - case.trial.gas_on.t_s
    seen = "poll" if edge.seen_by == "panel" else "reaction and clock of the witness"
    budget = Budget((Term(seen, edge.at.u_s), Term("instant of gas on", case.trial.gas_on.u_s)))
    why = said("{signal} set {after} s after gas on.", signal=edge.signal, after=number(after_s))
    early = criterion.lower is not None and after_s < criterion.lower
    general = (
        [said("room air higher than stated, or the sensor faster than stated")]
        if early
        else [said("cap leaking, low flow, or a weak bottle"), said("on-delay longer than stated")]
    )
    moved = _set_point_moved(case, spec, edge)
    known = diagnosis.texts("link", "words", "crossed", "frozen", "dead", "slow", "gain", "noisy")
    return _softened(case, judged(criterion, after_s, budget, why, [*known, *moved, *general]), edge)


def _set_point_moved(case: Case, spec: AlarmPointSpec, edge: Edge) -> list[str]:
    found = level_at(case, edge, spec.on_delay_s)
    if found is None or abs(found.level_ppm - spec.set_ppm) <= 3 * max(found.budget.u, 0.01 * spec.set_ppm):
        return []
    return [
        said(
            "set point: {signal} is set near {value}, not at {stated}",
            signal=edge.signal,
            value=case.words(found.level_ppm),
            stated=case.words(spec.set_ppm),
        )
    ]
