"""Does it alarm where it should? Set and clear levels, deadband, times, latching, reset, fault."""

from __future__ import annotations

import math
from dataclasses import dataclass

from gaswitness.alarms import replay
from gaswitness.evidence.series import Edge
from gaswitness.evidence.timeline import Instant, uniform_u
from gaswitness.judge.budget import Budget, Term
from gaswitness.judge.case import Case, Passing, first
from gaswitness.judge.causes import GAS, Diagnosis
from gaswitness.judge.decide import COVERAGE_K
from gaswitness.judge.effects import MISSED
from gaswitness.judge.finding import broken, fell_short, happened, inconclusive, judged, not_tested
from gaswitness.judge.reading import poll_of
from gaswitness.judge.records import Finding
from gaswitness.plan.records import Criterion
from gaswitness.site.points import alarm_points
from gaswitness.site.records import AlarmPointSpec
from gaswitness.wording import number

MISSED_POLLS = 1.6
"""A bracket wider than this many polls had at least one missed within it."""


@dataclass(frozen=True, slots=True)
class LevelAtEdge:
    """The reading at the moment that made a point set or clear, with its budget."""

    value: float
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
            Term("noise of one reading", math.hypot(case.noise_ppm, passing.u_fit)),
            Term("resolution", case.u_resolution_ppm),
        )
    )
    return LevelAtEdge(passing.value, budget, passing)


def _not_set(case: Case, criterion: Criterion, diagnosis: Diagnosis) -> Finding:
    """The point did not set: was it never tried, could it not be seen, or did it fall short?"""
    spec = _spec(case, criterion)
    signal = f"{case.tag}.{spec.name}"
    if case.trial is None:
        return not_tested(criterion, f"No gas was put on {case.tag}.")
    if not case.series.polled(signal) and signal not in case.series.edges:
        return not_tested(criterion, f"Nothing shows {signal}: neither a status bit nor a mark of a witness.")
    if case.series.on_at(signal, case.trial.gas_on.t_s):
        return not_tested(criterion, f"{signal} was on before gas; it must be off first.")
    if case.outage:
        return broken(
            criterion, f"{signal} was not seen to set, and the link was down meanwhile.", diagnosis.texts("link")
        )
    gas_s = case.gas_end_s - case.trial.gas_on.t_s
    due_s = next((entry.set_s[1] for entry in case.part.points if entry.point == spec.name), 0.0)
    if gas_s < due_s:
        text = f"Gas flowed for {number(gas_s)} s, and {signal} is due only by {number(due_s)} s after gas on."
        return not_tested(criterion, text)
    text = f"{signal} did not set in {number(gas_s)} s of gas."
    return fell_short(criterion, text, _why_not_set(case, spec, diagnosis))


def _why_not_set(case: Case, spec: AlarmPointSpec, diagnosis: Diagnosis) -> list[str]:
    known = diagnosis.texts("words", "no-reading", "crossed", "frozen", "dead", "gain", "slow")
    reached = _furthest(case, spec)
    if reached is not None and not diagnosis.unusable:
        beyond = reached >= spec.set_ppm if spec.direction == "rising" else reached <= spec.set_ppm
        if beyond:
            side = "above" if spec.direction == "rising" else "below"
            return [
                f"set point: {case.tag}.{spec.name} is set {side} {case.words(reached)} at the panel, "
                f"not at {case.words(spec.set_ppm)}",
                "on-delay longer than stated, or the point is inhibited or switched off at the panel",
                *known,
            ]
    return [*known, GAS] if known else [GAS, f"set point: {case.tag}.{spec.name} is not where the site says"]


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
    why = (
        f"{finding.why} But {number(widest_s)} s lay between the two polls around the edge (planned: "
        f"{number(poll_of(case))} s), so it is less far outside than it is uncertain; polls in time would settle it."
    )
    causes = (MISSED, *finding.causes)
    return finding.model_copy(update={"outcome": "inconclusive", "why": why, "causes": causes})


def _lost_edge(criterion: Criterion, edge: Edge, what: str, diagnosis: Diagnosis) -> Finding:
    wide_s = edge.latest_s - edge.earliest_s
    text = f"{edge.signal} {what} at some moment of {number(wide_s)} s for which nothing arrived."
    return broken(criterion, text, diagnosis.texts("link") or ["link dropped: polls are missing around this edge"])


def set_level(case: Case, criterion: Criterion, diagnosis: Diagnosis) -> Finding:
    """Reading at which the point set."""
    spec = _spec(case, criterion)
    edge = case.set_edge(spec)
    if edge is None or case.trial is None:
        return _not_set(case, criterion, diagnosis)
    if diagnosis.unusable:
        text = f"{edge.signal} set, but the reading at that moment cannot be judged: {diagnosis.unusable}."
        return broken(criterion, text, [diagnosis.unusable])
    if _blind(case, edge):
        return _lost_edge(criterion, edge, "set", diagnosis)
    found = level_at(case, edge, spec.on_delay_s)
    if found is None:
        return not_tested(criterion, f"{edge.signal} set, but there are no readings around that moment.")
    why = (
        f"{edge.signal} set {number(edge.at.t_s - case.trial.gas_on.t_s)} s after gas on, when the reading passed "
        f"{case.words(found.value)} at {number(found.passing.slope_ppm_s)} ppm/s.{_rederived(case, spec, edge)}"
    )
    causes = [
        *diagnosis.texts("crossed", "frozen", "dead", "noisy"),
        f"set point: {edge.signal} is set near {case.words(found.value)}, not at {case.words(spec.set_ppm)}",
        "on-delay or panel scan not as stated",
    ]
    return _softened(case, judged(criterion, found.value, found.budget, why, causes), edge)


def _rederived(case: Case, spec: AlarmPointSpec, edge: Edge) -> str:
    """What the alarm logic makes of the reading with the stated settings, where it differs from what was seen."""
    if case.trace is None or case.trial is None:
        return ""
    point = next(p for p in alarm_points(case.detector) if p.name == spec.name)
    part = case.trace.between(case.trial.from_s, case.gas_end_s)
    edges = replay(part.t_s, part.value_ppm, [point]).of("set")
    times = [float(t) for t in edges.t_s if t >= case.trial.gas_on.t_s - 1.0]
    if not times:
        return " By the reading and the stated settings it should not have set at all."
    scan_s, poll_s = case.series.plan.site.panel.scan_s, poll_of(case)
    passing = case.passing(times[0])
    slope = abs(passing.slope_ppm_s) if passing else 0.0
    u_noise_s = min(10.0, case.noise_ppm / slope) if slope > 0 else 10.0
    late_s = edge.at.t_s - times[0]
    allowed_s = 2 * math.sqrt(edge.at.u_s**2 + uniform_u(scan_s + poll_s) ** 2 + u_noise_s**2) + scan_s + poll_s
    if abs(late_s) <= allowed_s:
        return ""
    word = "later" if late_s > 0 else "earlier"
    return f" That is {number(abs(late_s))} s {word} than the stated settings make of the same reading."


def clear_level(case: Case, criterion: Criterion, diagnosis: Diagnosis) -> Finding:
    """Reading at which the point cleared."""
    spec = _spec(case, criterion)
    stop = _before_clear(case, criterion, spec, diagnosis)
    if isinstance(stop, Finding):
        return stop
    edge = stop
    if diagnosis.unusable:
        text = f"{edge.signal} cleared, but the reading at that moment cannot be judged: {diagnosis.unusable}."
        return broken(criterion, text, [diagnosis.unusable])
    found = level_at(case, edge, spec.off_delay_s)
    if found is None or case.trial is None or case.trial.gas_off is None:
        return not_tested(criterion, f"{edge.signal} cleared, but there are no readings around that moment.")
    after_s = edge.at.t_s - case.trial.gas_off.t_s
    why = f"{edge.signal} cleared {number(after_s)} s after gas off, when the reading passed {case.words(found.value)}."
    expected = case.words(spec.clear_ppm(case.detector.range_ppm))
    causes = [
        *diagnosis.texts("noisy"),
        f"deadband or set point: {edge.signal} clears near {case.words(found.value)} at the panel, not at {expected}",
        "off-delay or panel scan not as stated",
    ]
    return _softened(case, judged(criterion, found.value, found.budget, why, causes), edge)


def _before_clear(case: Case, criterion: Criterion, spec: AlarmPointSpec, diagnosis: Diagnosis) -> Finding | Edge:
    """The edge at which the point cleared, or why there is none to judge."""
    set_edge = case.set_edge(spec)
    if set_edge is None or case.trial is None:
        return not_tested(criterion, f"{case.tag}.{spec.name} was not seen to set, so it had nothing to clear from.")
    if case.trial.gas_off is None:
        return not_tested(criterion, "Gas was not shut off within the record.")
    edge = case.clear_edge(spec)
    if edge is not None:
        return _lost_edge(criterion, edge, "cleared", diagnosis) if _blind(case, edge) else edge
    if case.series.on_at(set_edge.signal, case.trial.gas_off.t_s) is False:
        return inconclusive(criterion, f"{set_edge.signal} had cleared before gas was shut off.", [GAS])
    waited_s = case.trial.until_s - case.trial.gas_off.t_s
    text = f"{set_edge.signal} did not clear in {number(waited_s)} s after gas off."
    causes = [
        *diagnosis.texts("frozen", "slow", "noisy"),
        "the deadband reaches into the room's usual air, or gas was still there",
        "the point latches although the site says it does not",
    ]
    return fell_short(criterion, text, causes)


def deadband(case: Case, criterion: Criterion, diagnosis: Diagnosis) -> Finding:
    """Distance between set and clear level; what both share is counted once, with its sign."""
    spec = _spec(case, criterion)
    if diagnosis.unusable:
        return broken(criterion, f"The levels cannot be judged: {diagnosis.unusable}.", [diagnosis.unusable])
    set_edge = case.set_edge(spec)
    if set_edge is None:
        return not_tested(criterion, f"{case.tag}.{spec.name} was not seen to set.")
    if _blind(case, set_edge):
        return _lost_edge(criterion, set_edge, "set", diagnosis)
    stop = _before_clear(case, criterion, spec, diagnosis)
    if isinstance(stop, Finding):
        return stop if stop.outcome != "fail" else not_tested(criterion, stop.why)
    upper, lower = level_at(case, set_edge, spec.on_delay_s), level_at(case, stop, spec.off_delay_s)
    if upper is None or lower is None:
        return not_tested(criterion, "There are no readings around the edges.")
    sign = 1.0 if spec.direction == "rising" else -1.0
    band, budget = sign * (upper.value - lower.value), (upper.budget - lower.budget).scaled(sign)
    why = f"It set at {case.words(upper.value)} and cleared at {case.words(lower.value)}."
    if -COVERAGE_K * budget.u <= band < 0:  # no deadband is below zero, so the nearest it can be is none
        why += f" A deadband is never below zero; {number(band)} ppm is zero within its uncertainty."
        band = 0.0
    causes = [*diagnosis.texts("noisy"), f"deadband of {case.tag}.{spec.name} at the panel not as stated"]
    return _softened(case, judged(criterion, band, budget, why, causes), set_edge, stop)


def set_time(case: Case, criterion: Criterion, diagnosis: Diagnosis) -> Finding:
    """Time from gas on until the point set, against its prediction."""
    spec = _spec(case, criterion)
    edge = case.set_edge(spec)
    if edge is None or case.trial is None:
        return _not_set(case, criterion, diagnosis)
    if _blind(case, edge):
        return _lost_edge(criterion, edge, "set", diagnosis)
    after_s = edge.at.t_s - case.trial.gas_on.t_s
    seen = "poll" if edge.seen_by == "panel" else "reaction and clock of the witness"
    budget = Budget((Term(seen, edge.at.u_s), Term("instant of gas on", case.trial.gas_on.u_s)))
    why = f"{edge.signal} set {number(after_s)} s after gas on."
    early = criterion.lower is not None and after_s < criterion.lower
    general = (
        ["room air higher than stated, or the sensor faster than stated"]
        if early
        else ["cap leaking, low flow, or a weak bottle", "on-delay longer than stated"]
    )
    moved = _set_point_moved(case, spec, edge)
    known = diagnosis.texts("link", "words", "crossed", "frozen", "dead", "slow", "gain", "noisy")
    return _softened(case, judged(criterion, after_s, budget, why, [*known, *moved, *general]), edge)


def _set_point_moved(case: Case, spec: AlarmPointSpec, edge: Edge) -> list[str]:
    found = level_at(case, edge, spec.on_delay_s)
    if found is None or abs(found.value - spec.set_ppm) <= 3 * max(found.budget.u, 0.01 * spec.set_ppm):
        return []
    return [f"set point: {edge.signal} is set near {case.words(found.value)}, not at {case.words(spec.set_ppm)}"]


def latched(case: Case, criterion: Criterion, diagnosis: Diagnosis) -> Finding:
    """A latching point stays until reset although the reading has cleared; a free one needs none."""
    spec = _spec(case, criterion)
    signal = f"{case.tag}.{spec.name}"
    if case.set_edge(spec) is None or case.trial is None:
        return not_tested(criterion, f"{signal} was not seen to set.")
    if case.trial.gas_off is None:
        return not_tested(criterion, "Gas was not shut off within the record.")
    reset = reset_press(case, case.trial.gas_off.t_s)
    edge = case.clear_edge(spec)
    if spec.latching:
        return _stays(case, criterion, spec, edge, reset, diagnosis)
    if edge is None:
        cleared = _reading_cleared(case, spec, case.trial.until_s)
        if cleared and not diagnosis.unusable:
            why = f"{signal} stood although the reading had cleared."
            return happened(criterion, False, why, [f"{signal} is latching at the panel"])
        return inconclusive(criterion, f"{signal} did not clear, but neither did the reading; wait until it has.")
    if reset is not None and reset.t_s < edge.latest_s:
        return inconclusive(criterion, f"Reset was pressed before {signal} cleared; leave it alone until it has.")
    return happened(criterion, True, f"{signal} cleared by itself.")


def _stays(
    case: Case, criterion: Criterion, spec: AlarmPointSpec, edge: Edge | None, reset: Instant | None, known: Diagnosis
) -> Finding:
    signal = f"{case.tag}.{spec.name}"
    until_s = reset.t_s if reset else case.trial.until_s if case.trial else 0.0
    if edge is not None and (reset is None or edge.latest_s < reset.t_s - 2 * reset.u_s):
        why = f"{signal} went off by itself {number(until_s - edge.at.t_s)} s before reset."
        if reset is None:
            why = f"{signal} went off by itself; reset was not pressed."
        return happened(criterion, False, why, [f"latch: {signal} is not latching at the panel"])
    if known.unusable:
        return broken(criterion, f"{signal} stood, but nobody knows what the reading did: {known.unusable}.")
    if not _reading_cleared(case, spec, until_s):
        return inconclusive(
            criterion, f"{signal} stood until reset, but the reading was still beyond its clear level; wait longer."
        )
    if reset is None:
        return not_tested(criterion, f"{signal} stood although the reading had cleared, but reset was not pressed.")
    return happened(criterion, True, f"{signal} stood until reset although the reading had cleared.")


def _reading_cleared(case: Case, spec: AlarmPointSpec, until_s: float) -> bool:
    if case.trace is None or case.trial is None or case.trial.gas_off is None:
        return False
    part = case.trace.between(case.trial.gas_off.t_s, until_s).value_ppm
    clear_ppm = spec.clear_ppm(case.detector.range_ppm)
    beyond = part < clear_ppm if spec.direction == "rising" else part > clear_ppm
    return int(beyond.sum()) >= 3


def reset_press(case: Case, from_s: float) -> Instant | None:
    """When reset was pressed in this trial, from some time on."""
    until_s = case.window[1]
    for press in case.series.presses:
        if press.action == "reset" and from_s <= press.t_s <= until_s:
            return Instant(press.t_s, press.u_s)
    return None


def reset(case: Case, criterion: Criterion, _diagnosis: Diagnosis) -> Finding:
    """What needs a reset clears on reset: time from the press until it is off."""
    signal = f"{case.tag}.{criterion.point}" if criterion.point else f"{criterion.effect}.on"
    if case.trial is None or case.trial.gas_off is None:
        return not_tested(criterion, f"No gas was put on and taken off {case.tag}.")
    press = reset_press(case, case.trial.gas_off.t_s)
    if press is None:
        return not_tested(criterion, "Reset was not pressed.")
    edge = first(case.series, signal, False, press.t_s - 1.0, case.trial.until_s, prefer="panel")
    if edge is None or edge.latest_s < press.t_s:
        if not case.series.on_at(signal, press.t_s):
            return not_tested(criterion, f"{signal} was not on when reset was pressed.")
        text = f"{signal} did not clear on reset."
        return fell_short(
            criterion, text, ["gas still above the clear level", "reset not wired through, or another cause stands"]
        )
    budget = Budget((Term("poll", edge.at.u_s), Term("instant of the press", press.u_s)))
    delay_s = edge.at.t_s - press.t_s
    causes = ["another reset was needed, or gas was still above the clear level"]
    return judged(criterion, delay_s, budget, f"{signal} cleared {number(delay_s)} s after reset.", causes)


def fault(case: Case, criterion: Criterion, _diagnosis: Diagnosis) -> Finding:
    """An opened signal is seen as a fault: time from opening it."""
    signal = f"{case.tag}.fault"
    window = case.fault_window
    if window is None:
        return not_tested(criterion, f"The signal of {case.tag} was not opened.")
    press, until_s = window
    if not case.series.polled(signal) and signal not in case.series.edges:
        return not_tested(criterion, f"Nothing shows {signal}: neither a status bit nor a mark of a witness.")
    edge = first(case.series, signal, True, press.t_s - 1.0, until_s, prefer="panel")
    if edge is None:
        if case.series.on_at(signal, press.t_s):
            return not_tested(criterion, f"{signal} was on before the signal was opened.")
        others = [
            f"crossed: opening the signal of {case.tag} showed as a fault of {other.tag}"
            for other in case.series.plan.site.detectors
            if other.tag != case.tag and case.series.edges_of(f"{other.tag}.fault", True, press.t_s, until_s)
        ]
        causes = [*others, f"the panel does not watch the loop of {case.tag}", "another detector's signal was opened"]
        return fell_short(criterion, f"{signal} did not come when the signal was opened.", causes)
    budget = Budget((Term("poll", edge.at.u_s), Term("instant of opening", press.u_s)))
    delay_s = edge.at.t_s - press.t_s
    causes = ["the panel looks at this loop too seldom, or filters it for too long"]
    return judged(criterion, delay_s, budget, f"{signal} came {number(delay_s)} s after the signal was opened.", causes)
