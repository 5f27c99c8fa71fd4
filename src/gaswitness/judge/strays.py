"""What happened that no cause explains: alarms of other detectors, effects uncalled for, unexpected marks."""

from __future__ import annotations

from collections.abc import Iterator

from gaswitness.alarms.voting import vote
from gaswitness.evidence.series import Edge, Series
from gaswitness.judge.case import case_of
from gaswitness.judge.crossed import crossed_with, who_answered
from gaswitness.judge.records import Stray
from gaswitness.sentence import said
from gaswitness.site.records import MatrixLine

SLACK_S = 3.0
"""Poll, scan and reaction blur an edge by no more than this."""
AFTERWARDS_S = 45.0
"""What people do shows for so long afterwards at most: an effect driven to prove it, a bottle shut, a signal opened."""
AFTER_LINE_S = 20.0
"""So much later than its limit an effect still counts as brought by its cause, only too late."""


def strays_of(series: Series) -> tuple[Stray, ...]:
    """All of them, in order of time."""
    found = [*_alarms(series), *_effects(series), *_marked(series)]
    return tuple(sorted(found, key=lambda stray: (stray.t_s, stray.signal)))


def _alarms(series: Series) -> Iterator[Stray]:
    """Alarm points and faults that set on a detector which was not being tested for it."""
    for detector in series.plan.site.detectors:
        for name in [point.name for point in detector.alarms]:
            for edge in _first_ons(series, f"{detector.tag}.{name}"):
                if not _own_gas(series, detector.tag, edge):
                    yield _stray(series, edge, _alarm_words(series, detector.tag, edge))
        for edge in _first_ons(series, f"{detector.tag}.fault"):
            if not _own_fault(series, detector.tag, edge):
                yield _stray(series, edge, _fault_words(series, detector.tag, edge))


def _own_gas(series: Series, tag: str, edge: Edge) -> bool:
    """The detector had gas, or was still at its own steps after it."""
    for trial in series.trials_of(tag):
        off_s = trial.gas_off.t_s if trial.gas_off else trial.until_s
        until_s = max(off_s, _tested_until(series, tag, off_s))
        if trial.gas_on.t_s - SLACK_S <= edge.latest_s and edge.earliest_s <= until_s:
            return True
    return False


def _tested_until(series: Series, tag: str, from_s: float) -> float:
    """End of the last step of this detector, or of its bout, that began before another detector's turn."""
    end_s = from_s
    bouts = {bout.bout for bout in series.plan.bouts if tag in (*bout.tags, *bout.faulty)}
    for span in series.steps:
        if span.from_s < from_s or span.step.tag is None:
            continue
        if span.step.tag != tag and span.step.bout not in bouts:
            break
        end_s = span.until_s if span.until_s is not None else series.end_s
    return end_s


def _own_fault(series: Series, tag: str, edge: Edge) -> bool:
    made = [p for p in series.presses if p.tag == tag and p.action == "fault-made"]
    undone = [p for p in series.presses if p.tag == tag and p.action == "fault-undone"]
    for press in made:
        end_s = min((p.t_s for p in undone if p.t_s >= press.t_s), default=series.end_s)
        if press.t_s - SLACK_S <= edge.latest_s and edge.earliest_s <= end_s + SLACK_S:
            return True
    return False


def _alarm_words(series: Series, tag: str, edge: Edge) -> str:
    """Whose gas it was, if any was flowing."""
    for trial in series.trials:
        end_s = trial.gas_off.t_s if trial.gas_off else trial.until_s
        if trial.tag == tag or not trial.gas_on.t_s <= edge.latest_s <= end_s + AFTERWARDS_S:
            continue
        if crossed_with(case_of(series, trial.tag, trial)) == tag:
            return said("crossed: the gas on {tag} was read on {other}'s channel", tag=trial.tag, other=tag)
        if who_answered(series, trial.tag, trial.gas_on.t_s, end_s) == tag:
            return said("gas put on {tag} reached {other} as well, or {other} answers to it", tag=trial.tag, other=tag)
        return said(
            "{signal} set while gas was on {tag}, without gas on its own sensor", signal=edge.signal, tag=trial.tag
        )
    return said("{signal} set without test gas: a real alarm, or a wiring fault", signal=edge.signal)


def _fault_words(series: Series, tag: str, edge: Edge) -> str:
    """Whose signal was open at that moment, if any was."""
    for press in series.presses:
        if press.action == "fault-made" and press.tag and 0 <= edge.latest_s - press.t_s <= AFTERWARDS_S:
            return said("crossed: opening the signal of {tag} showed as a fault of {other}", tag=press.tag, other=tag)
    return said("{tag} showed a fault that nobody had made", tag=tag)


def _effects(series: Series) -> Iterator[Stray]:
    """Effects that went on although no line of the matrix called for them."""
    for effect in series.plan.site.effects:
        lines = [line for line in series.plan.site.matrix if line.effect == effect.tag]
        for edge in _first_ons(series, f"{effect.tag}.on"):
            if not (_called(series, lines, edge) or _proving(series, effect.tag, edge)):
                yield _stray(series, edge, _effect_words(series, effect.tag, edge))


def _called(series: Series, lines: list[MatrixLine], edge: Edge) -> bool:
    for line in lines:
        from_s = edge.earliest_s - line.within_s - AFTER_LINE_S
        states = [_was_on(series, cause, from_s, edge.latest_s + SLACK_S) for cause in line.causes]
        if all(states) if line.need == "all" else any(states):
            return _driven(series, edge)
    return False


def _driven(series: Series, edge: Edge) -> bool:
    """A witness's mark on an effect whose output the panel shows must have the panel's drive behind it."""
    if edge.seen_by == "panel" or not series.polled(edge.signal):
        return True
    from_s, until_s = edge.at.t_s - AFTER_LINE_S, edge.at.t_s + SLACK_S
    drives = [e for e in series.edges[edge.signal] if e.on and e.seen_by == "panel"]
    if any(e.earliest_s <= until_s and e.latest_s >= from_s for e in drives):
        return True
    return bool(series.broken(from_s, until_s) or series.on_at(edge.signal, edge.at.t_s))


def _was_on(series: Series, cause: str, from_s: float, until_s: float) -> bool:
    group = next((group for group in series.plan.site.groups if group.tag == cause), None)
    if group is not None:
        on = {member: _was_on(series, member, from_s, until_s) for member in group.members}
        faults = {member: _was_on(series, f"{member.partition('.')[0]}.fault", from_s, until_s) for member in on}
        states = {member: None if faults[member] else state for member, state in on.items()}
        return vote(on, group.need, group.faulty).on or vote(states, group.need, group.faulty).on
    if series.on_at(cause, from_s):
        return True
    if any(e.on and e.earliest_s <= until_s and e.latest_s >= from_s for e in series.edges.get(cause, ())):
        return True
    tag, _, point = cause.partition(".")
    if point == "fault" and not series.polled(cause):
        return any(p.tag == tag and p.action == "fault-made" and p.t_s <= until_s for p in series.presses)
    if series.polled(cause):
        return False
    return any(trial.gas_on.t_s <= until_s and from_s <= trial.until_s for trial in series.trials_of(tag))


def _proving(series: Series, effect: str, edge: Edge) -> bool:
    return any(
        span.step.kind in ("prove", "lift")
        and span.step.effect == effect
        and span.from_s - SLACK_S <= edge.latest_s <= (span.until_s or span.from_s) + AFTERWARDS_S
        for span in series.steps
    )


def _effect_words(series: Series, tag: str, edge: Edge) -> str:
    """Name the one that was due instead, where a witness saw this one and nobody drove it."""
    if edge.seen_by == "witness" and not _driven(series, edge):
        for other in series.plan.site.effects:
            signal = f"{other.tag}.on"
            driven = series.edges_of(signal, True, edge.at.t_s - AFTER_LINE_S, edge.at.t_s + SLACK_S, "panel")
            seen = series.edges_of(signal, True, edge.at.t_s - AFTER_LINE_S, edge.at.t_s + AFTER_LINE_S, "witness")
            if other.tag != tag and driven and not seen:
                return said(
                    "crossed: {other} answered where {tag} was due (outputs exchanged)", other=tag, tag=other.tag
                )
        return said("{tag} acted although the panel did not drive it", tag=tag)
    few = _too_few(series, tag, edge)
    return few or said("{tag} acted although no cause of it was on", tag=tag)


def _too_few(series: Series, tag: str, edge: Edge) -> str:
    """A vote that was not reached, of which some members stood: empty where there is none."""
    from_s, until_s = edge.earliest_s - AFTER_LINE_S, edge.latest_s + SLACK_S
    for group in series.plan.site.groups:
        if not any(line.effect == tag and group.tag in line.causes for line in series.plan.site.matrix):
            continue
        faults = {m: _was_on(series, f"{m.partition('.')[0]}.fault", from_s, until_s) for m in group.members}
        states = {m: None if faults[m] else _was_on(series, m, from_s, until_s) for m in group.members}
        if any(state is not False for state in states.values()):
            stood = vote(states, group.need, group.faulty)
            return said(
                "vote: {tag} acted with {votes} of {of} in {group}, and {need} are needed",
                tag=tag,
                votes=stood.votes,
                of=len(group.members),
                group=group.tag,
                need=stood.need,
            )
    return ""


def _marked(series: Series) -> Iterator[Stray]:
    """What a witness pressed as something nobody expected."""
    for mark in series.marks:
        if mark.signal == "other" and mark.mark_id not in series.corrected:
            who = {"witness": mark.witness, "post": mark.post}
            text = (
                said("{witness} at {post} saw something unexpected: {note}", note=mark.note, **who)
                if mark.note
                else said("{witness} at {post} saw something unexpected", **who)
            )
            yield Stray(signal="other", t_s=mark.t_s, during=series.under_test(mark.t_s) or "", explanation=text)


def _first_ons(series: Series, signal: str) -> Iterator[Edge]:
    """Edges on from off, each observer for itself; a mark that only changes the pattern is none."""
    state: dict[str, bool] = {}
    for edge in series.edges.get(signal, ()):
        if edge.on and not state.get(edge.seen_by, False):
            yield edge
        state[edge.seen_by] = edge.on


def _stray(series: Series, edge: Edge, explanation: str) -> Stray:
    return Stray(signal=edge.signal, t_s=edge.at.t_s, during=_during(series, edge), explanation=explanation)


def _during(series: Series, edge: Edge) -> str:
    """What was under test: in a bout the detector itself if it is one of it, else the one whose turn it was."""
    step, tag = series.step_at(edge.at.t_s), edge.signal.partition(".")[0]
    if step is None:
        return ""
    if step.group is None and step.bout is not None:
        bout = next((bout for bout in series.plan.bouts if bout.bout == step.bout), None)
        if bout is not None and tag in bout.tags:
            return tag
    return step.group or step.tag or ""
