"""Does it stand as long as it must, and go when it may? Latching, reset, and the fault of an opened signal."""

from __future__ import annotations

from gaswitness.evidence.series import Edge
from gaswitness.evidence.timeline import Instant
from gaswitness.judge.budget import Budget, Term
from gaswitness.judge.case import Case, first
from gaswitness.judge.causes import Diagnosis
from gaswitness.judge.finding import broken, fell_short, happened, inconclusive, judged, not_tested
from gaswitness.judge.records import Finding
from gaswitness.plan.records import Criterion
from gaswitness.sentence import said
from gaswitness.site.records import AlarmPointSpec
from gaswitness.wording import number


def latched(case: Case, criterion: Criterion, diagnosis: Diagnosis) -> Finding:
    """A latching point stays until reset although the reading has cleared; a free one needs none."""
    spec = case.detector.alarm(criterion.point or "")
    signal = f"{case.tag}.{spec.name}"
    if case.set_edge(spec) is None or case.trial is None:
        return not_tested(criterion, said("{signal} was not seen to set.", signal=signal))
    if case.trial.gas_off is None:
        return not_tested(criterion, said("Gas was not shut off within the record."))
    reset = reset_press(case, case.trial.gas_off.t_s)
    edge = case.clear_edge(spec)
    if spec.latching:
        return _stays(case, criterion, spec, edge, reset, diagnosis)
    if edge is None:
        cleared = _reading_cleared(case, spec, case.trial.until_s)
        if cleared and not diagnosis.unusable:
            why = said("{signal} stood although the reading had cleared.", signal=signal)
            return happened(criterion, False, why, [said("{signal} is latching at the panel", signal=signal)])
        return inconclusive(
            criterion, said("{signal} did not clear, but neither did the reading; wait until it has.", signal=signal)
        )
    if reset is not None and reset.t_s < edge.latest_s:
        return inconclusive(
            criterion, said("Reset was pressed before {signal} cleared; leave it alone until it has.", signal=signal)
        )
    return happened(criterion, True, said("{signal} cleared by itself.", signal=signal))


def _stays(
    case: Case, criterion: Criterion, spec: AlarmPointSpec, edge: Edge | None, reset: Instant | None, known: Diagnosis
) -> Finding:
    signal = f"{case.tag}.{spec.name}"
    until_s = reset.t_s if reset else case.trial.until_s if case.trial else 0.0
    if edge is not None and (reset is None or edge.latest_s < reset.t_s - 2 * reset.u_s):
        why = said(
            "{signal} went off by itself {until} s before reset.", signal=signal, until=number(until_s - edge.at.t_s)
        )
        if reset is None:
            why = said("{signal} went off by itself; reset was not pressed.", signal=signal)
        return happened(criterion, False, why, [said("latch: {signal} is not latching at the panel", signal=signal)])
    if known.unusable:
        return broken(
            criterion,
            said(
                "{signal} stood, but nobody knows what the reading did: {unusable}.",
                signal=signal,
                unusable=known.unusable,
            ),
        )
    if not _reading_cleared(case, spec, until_s):
        return inconclusive(
            criterion,
            said(
                "{signal} stood until reset, but the reading was still beyond its clear level; wait longer.",
                signal=signal,
            ),
        )
    if reset is None:
        return not_tested(
            criterion,
            said("{signal} stood although the reading had cleared, but reset was not pressed.", signal=signal),
        )
    return happened(
        criterion, True, said("{signal} stood until reset although the reading had cleared.", signal=signal)
    )


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
        return not_tested(criterion, said("No gas was put on and taken off {tag}.", tag=case.tag))
    press = reset_press(case, case.trial.gas_off.t_s)
    if press is None:
        return not_tested(criterion, said("Reset was not pressed."))
    edge = first(case.series, signal, False, press.t_s - 1.0, case.trial.until_s, prefer="panel")
    if edge is None or edge.latest_s < press.t_s:
        if not case.series.stands_at(signal, press.t_s):
            return not_tested(criterion, said("{signal} was not on when reset was pressed.", signal=signal))
        text = said("{signal} did not clear on reset.", signal=signal)
        return fell_short(
            criterion,
            text,
            [said("gas still above the clear level"), said("reset not wired through, or another cause stands")],
        )
    budget = Budget((Term("poll", edge.at.u_s), Term("instant of the press", press.u_s)))
    delay_s = edge.at.t_s - press.t_s
    causes = [said("another reset was needed, or gas was still above the clear level")]
    return judged(
        criterion,
        delay_s,
        budget,
        said("{signal} cleared {delay} s after reset.", signal=signal, delay=number(delay_s)),
        causes,
    )


def fault(case: Case, criterion: Criterion, _diagnosis: Diagnosis) -> Finding:
    """An opened signal is seen as a fault: time from opening it."""
    signal = f"{case.tag}.fault"
    window = case.fault_window
    if window is None:
        return not_tested(criterion, said("The signal of {tag} was not opened.", tag=case.tag))
    press, until_s = window
    if not case.series.polled(signal) and signal not in case.series.edges:
        return not_tested(
            criterion, said("Nothing shows {signal}: neither a status bit nor a mark of a witness.", signal=signal)
        )
    edge = first(case.series, signal, True, press.t_s - 1.0, until_s, prefer="panel")
    if edge is None:
        if case.series.stands_at(signal, press.t_s):
            return not_tested(criterion, said("{signal} was on before the signal was opened.", signal=signal))
        others = [
            said("crossed: opening the signal of {tag} showed as a fault of {other}", tag=case.tag, other=other.tag)
            for other in case.series.plan.site.detectors
            if other.tag != case.tag and case.series.edges_of(f"{other.tag}.fault", True, press.t_s, until_s)
        ]
        causes = [
            *others,
            said("the panel does not watch the loop of {tag}", tag=case.tag),
            said("another detector's signal was opened"),
        ]
        return fell_short(criterion, said("{signal} did not come when the signal was opened.", signal=signal), causes)
    budget = Budget((Term("poll", edge.at.u_s), Term("instant of opening", press.u_s)))
    delay_s = edge.at.t_s - press.t_s
    causes = [said("the panel looks at this loop too seldom, or filters it for too long")]
    return judged(
        criterion,
        delay_s,
        budget,
        said("{signal} came {delay} s after the signal was opened.", signal=signal, delay=number(delay_s)),
        causes,
    )
