"""Does the whole chain follow? Delay, pattern and silence of each effect, by panel and by whoever stood there.

What the panel shows is what it drives; only a witness at the place shows that it acted. A post counts as manned when
its witness said to be there, or pressed anything there on this visit.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from gaswitness.evidence.series import Edge, Series
from gaswitness.evidence.timeline import Instant
from gaswitness.judge.budget import Budget, Term
from gaswitness.judge.case import Case, first
from gaswitness.judge.causes import Diagnosis
from gaswitness.judge.finding import broken, fell_short, happened, inconclusive, judged, not_tested
from gaswitness.judge.records import EffectFinding, Finding
from gaswitness.plan.records import Criterion
from gaswitness.sentence import said, together
from gaswitness.site.records import Effect, MatrixLine, Site
from gaswitness.wording import number, word

SeenBy = Literal["panel", "witness", "both", "nobody"]

BEFORE_S = 2.0
"""An effect may seem to come so long before its cause: poll, scan and reaction blur both."""
MISSED = said("polls were missed: the link or this computer was too slow")
SILENCE_S = 10.0
"""A sounder that stops later than this after silence did not stop because of it; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Acted:
    """When an effect acted after a cause, as far as anybody saw."""

    at: Instant | None
    seen_by: SeenBy
    panel: Edge | None
    witness: Edge | None


def manned(series: Series, post: str, t_s: float) -> bool:
    """Whether a witness stood at this post: said so and had not left, or pressed anything there on this visit."""
    here = [mark for mark in series.marks if mark.post == post]
    said = [mark.on for mark in here if mark.signal == "present" and mark.t_s <= t_s]
    return said[-1] if said else any(mark.signal != "present" for mark in here)


def line_of(site: Site, tag: str, point: str, effect: str) -> tuple[MatrixLine, str] | None:
    """The line of the matrix by which this point brings this effect, and the cause as it stands there."""
    name = f"{tag}.{point}"
    groups = {group.tag for group in site.groups if name in group.members}
    for line in site.matrix:
        if line.effect == effect:
            for cause in line.causes:
                if cause == name or cause in groups:
                    return line, cause
    return None


def cause_edge(case: Case, point: str) -> Instant | None:
    """When the cause came: the point's edge, or for a fault its signal's, else the moment at which it was made."""
    if point != "fault":
        edge = case.set_edge(point)
        return edge.at if edge else None
    if case.fault_window is None:
        return None
    press, until_s = case.fault_window
    edge = first(case.series, f"{case.tag}.fault", True, press.t_s - 1.0, until_s, prefer="panel")
    return edge.at if edge else press if not case.series.polled(f"{case.tag}.fault") else None


def acted(series: Series, effect: str, from_s: float, until_s: float) -> Acted:
    """First time an effect went on within a time: both observers where they agree, else the one who was there."""
    signal = f"{effect}.on"
    edges = series.edges_of(signal, True, from_s, until_s)
    panel = next((edge for edge in edges if edge.seen_by == "panel"), None)
    witness = next((edge for edge in edges if edge.seen_by == "witness"), None)
    if panel is None or witness is None:
        only = panel or witness
        return Acted(only.at if only else None, only.seen_by if only else "nobody", panel, witness)
    apart_s, u_s = witness.at.t_s - panel.at.t_s, math.hypot(panel.at.u_s, witness.at.u_s)
    if abs(apart_s) > 2 * u_s or panel.at.u_s == 0 or witness.at.u_s == 0:
        return Acted(witness.at, "both", panel, witness)
    weights = panel.at.u_s**-2, witness.at.u_s**-2
    mean_s = (weights[0] * panel.at.t_s + weights[1] * witness.at.t_s) / sum(weights)
    return Acted(Instant(mean_s, sum(weights) ** -0.5), "both", panel, witness)


def effect(case: Case, criterion: Criterion, diagnosis: Diagnosis) -> Finding:
    """Delay from cause to effect on the common time axis."""
    series, effect_spec = case.series, case.series.plan.site.effect(criterion.effect or "")
    point = criterion.point or ""
    cause = cause_edge(case, point)
    if cause is None:
        return not_tested(
            criterion, said("{tag}.{point} did not come, so nothing could follow from it.", tag=case.tag, point=point)
        )
    from_s, until_s = cause.t_s - BEFORE_S - 2 * cause.u_s, _until(case, point)
    lost = series.broken(cause.t_s - 2 * cause.u_s, cause.t_s + (criterion.upper or 0.0))
    seen = acted(series, effect_spec.tag, from_s, until_s)
    if cause.u_s > (criterion.upper or 0.0) / 2:
        text = said(
            "{cause} came at some moment of {wide} s for which nothing arrived, so the delay of {effect} is not known.",
            cause=f"{case.tag}.{point}",
            wide=number(cause.u_s * 12**0.5),
            effect=effect_spec.tag,
        )
        if lost:
            return broken(criterion, text, diagnosis.texts("link"))
        return inconclusive(criterion, together(text, said("Polls in time would settle it.")), [MISSED])
    if lost and seen.witness is None:
        return broken(criterion, said("The link was down when this effect was due."), diagnosis.texts("link"))
    if seen.at is None:
        return _nobody(case, criterion, effect_spec, cause)
    if seen.witness is None and manned(series, effect_spec.post, seen.at.t_s):
        return _stuck(series, criterion, effect_spec, cause)
    delay = seen.at - cause
    other = also_standing(series, effect_spec.tag, case.tag, cause, seen.at)
    if other is not None:
        text = said(
            "{effect} acted {delay} s after {cause}, but {other} stood by then too and brings it as well: which of "
            "them did is not known. One at a time would settle it.",
            effect=effect_spec.tag,
            delay=number(delay.t_s),
            cause=f"{case.tag}.{point}",
            other=other,
        )
        return inconclusive(
            criterion, text, [said("{other} came while {tag} was under test", other=other, tag=case.tag)]
        )
    budget = Budget((Term("instant of the cause", cause.u_s), Term("instant of the effect", seen.at.u_s)))
    why = said(
        "{effect} acted {delay} s after {cause}, seen by {seen}.",
        effect=effect_spec.tag,
        delay=number(delay.t_s),
        cause=f"{case.tag}.{point}",
        seen=_observers(seen),
    )
    if seen.witness is None:
        text = said(
            "The panel drove {effect} {delay} s after {cause}, but nobody is known to have stood at post {post}; "
            "a witness there would settle whether it acted.",
            effect=effect_spec.tag,
            delay=number(delay.t_s),
            cause=f"{case.tag}.{point}",
            post=effect_spec.post,
        )
        return inconclusive(
            criterion,
            text,
            [said("nobody stood at {post}, or {tag} never acted", post=effect_spec.post, tag=effect_spec.tag)],
        )
    causes = [said("{tag} is slow to act, or a delay at the panel is longer than stated", tag=effect_spec.tag)]
    return judged(criterion, delay.t_s, budget, why, causes)


def also_standing(series: Series, effect: str, tag: str, cause: Instant, at: Instant) -> str | None:
    """Another detector's cause of the same effect that may have come before the effect acted, about when this did."""
    members = {group.tag: group.members for group in series.plan.site.groups if group.need == 1}
    for line in series.plan.site.matrix:
        if line.effect != effect or (line.need == "all" and len(line.causes) > 1):
            continue
        for name in [one for cause_ in line.causes for one in members.get(cause_, (cause_,))]:
            if name.partition(".")[0] == tag:
                continue
            edges = series.edges_of(name, True, cause.t_s - line.within_s, at.t_s + BEFORE_S)
            if any(edge.earliest_s <= at.t_s for edge in edges):
                return name
    return None


def _until(case: Case, point: str) -> float:
    if point == "fault":
        return case.fault_window[1] if case.fault_window else case.series.end_s
    return (case.trial.gas_off.t_s if case.trial and case.trial.gas_off else case.window[1]) + BEFORE_S


def _observers(seen: Acted) -> str:
    if seen.witness is None:
        return said("the panel")
    name = said("{witness} at {post}", witness=seen.witness.witness, post=seen.witness.post)
    return said("the panel and {name}", name=name) if seen.panel else name


def _stuck(series: Series, criterion: Criterion, spec: Effect, cause: Instant) -> Finding:
    text = said(
        "The panel says that {tag} is on, but the witness at {post} saw nothing of it.", tag=spec.tag, post=spec.post
    )
    other = instead(series, spec.tag, cause.t_s - BEFORE_S, cause.t_s + (criterion.upper or 0.0) + 10.0)
    if other:
        return fell_short(
            criterion,
            together(text, said("{other} acted instead.", other=other)),
            [said("crossed: {other} answered where {tag} was due (outputs exchanged)", other=other, tag=spec.tag)],
        )
    return fell_short(
        criterion,
        text,
        [said("stuck: the output of {tag} is driven, nothing happens (relay, cable, fuse, device)", tag=spec.tag)],
    )


def _nobody(case: Case, criterion: Criterion, spec: Effect, cause: Instant) -> Finding:
    series, signal = case.series, f"{spec.tag}.on"
    if series.on_at(signal, cause.t_s - BEFORE_S):
        return not_tested(criterion, said("{tag} was on before its cause came.", tag=spec.tag))
    if not series.polled(signal) and not manned(series, spec.post, cause.t_s):
        return not_tested(
            criterion, said("Nobody stood at {post}, and no status bit shows {tag}.", post=spec.post, tag=spec.tag)
        )
    other = instead(series, spec.tag, cause.t_s - BEFORE_S, cause.t_s + (criterion.upper or 0.0) + 10.0)
    text = said(
        "{effect} did not act on {cause}: neither panel nor witness saw it.",
        effect=spec.tag,
        cause=f"{case.tag}.{criterion.point}",
    )
    causes = [said("crossed: {other} answered where {tag} was due", other=other, tag=spec.tag)] if other else []
    inhibited = _inhibited(series, spec.tag, cause.t_s)
    causes += [said("{tag} was inhibited", tag=spec.tag)] if inhibited else []
    return fell_short(
        criterion, text, [*causes, said("the matrix at the panel does not bring {tag} on this cause", tag=spec.tag)]
    )


def _inhibited(series: Series, tag: str, t_s: float) -> bool:
    state = [move.state for move in series.inhibits if move.effect == tag and move.t_s <= t_s]
    return (bool(state) and state[-1] == "placed") or bool(series.on_at(f"{tag}.inhibited", t_s))


def instead(series: Series, tag: str, from_s: float, until_s: float) -> str | None:
    """An effect of the same kind that a witness saw act in this time although the panel did not drive it."""
    wanted = series.plan.site.effect(tag)
    found = [
        other
        for other in series.plan.site.effects
        if other.tag != tag
        and series.edges_of(f"{other.tag}.on", True, from_s, until_s, "witness")
        and not series.edges_of(f"{other.tag}.on", True, from_s - 5.0, until_s, "panel")
        and not series.on_at(f"{other.tag}.on", from_s)
        and series.polled(f"{other.tag}.on")
    ]
    same = [other for other in found if other.kind == wanted.kind]
    return next((other.tag for other in (*same, *found)), None)


def pattern(case: Case, criterion: Criterion, _diagnosis: Diagnosis) -> Finding:
    """Steady, flashing or pulsed, as somebody at the place saw it."""
    spec, point = case.series.plan.site.effect(criterion.effect or ""), criterion.point or ""
    line = line_of(case.series.plan.site, case.tag, point, spec.tag)
    expected = (line[0].pattern if line else None) or spec.pattern
    cause = cause_edge(case, point)
    if cause is None:
        return not_tested(
            criterion, said("{tag}.{point} did not come, so nothing could follow from it.", tag=case.tag, point=point)
        )
    from_s, until_s = cause.t_s - BEFORE_S - 2 * cause.u_s, _until(case, point)
    edges = case.series.edges_of(f"{spec.tag}.on", True, from_s, until_s, "witness")
    shown = [edge for edge in edges if edge.pattern is not None]
    if not shown:
        return not_tested(
            criterion, said("Nobody at {post} said what {tag} looked or sounded like.", post=spec.post, tag=spec.tag)
        )
    agreed = next((edge for edge in shown if edge.pattern == expected), shown[0])
    shown_as = word(agreed.pattern or "")
    why = said(
        "{witness} at {post} saw {tag} {pattern}.",
        witness=agreed.witness,
        post=agreed.post,
        tag=spec.tag,
        pattern=shown_as,
    )
    other = _exchanged(case, spec, expected, agreed.pattern or "", from_s, until_s)
    causes = (
        [
            said(
                "crossed: {tag} and {other} are exchanged: each shows the pattern of the other",
                tag=spec.tag,
                other=other,
            )
        ]
        if other
        else []
    )
    causes.append(
        said(
            "the pattern of {tag} is configured as {pattern} at the panel, not as {expected}",
            tag=spec.tag,
            pattern=shown_as,
            expected=word(expected),
        )
    )
    return happened(criterion, agreed.pattern == expected, why, causes)


def _exchanged(case: Case, spec: Effect, expected: str, seen: str, from_s: float, until_s: float) -> str | None:
    """An effect called for by the same alarms that shows this one's pattern, while this one shows that one's."""
    for other in case.series.plan.site.effects:
        if other.tag == spec.tag or other.pattern != seen:
            continue
        edges = case.series.edges_of(f"{other.tag}.on", True, from_s, until_s, "witness")
        if any(edge.pattern == expected for edge in edges) and all(edge.pattern != other.pattern for edge in edges):
            return other.tag
    return None


def silenced(case: Case, criterion: Criterion, _diagnosis: Diagnosis) -> Finding:
    """The sounder stops on silence while the alarm stands."""
    series, spec = case.series, case.series.plan.site.effect(criterion.effect or "")
    signal = f"{spec.tag}.on"
    press = case.pressed("silence") if case.trial is not None else None  # else it was pressed for another detector
    if press is None:
        return not_tested(criterion, said("Silence was not pressed."))
    began = acted(series, spec.tag, case.window[0], press.t_s + 1.0)
    if began.at is None:
        return not_tested(criterion, said("{tag} was not on when silence was pressed.", tag=spec.tag))
    stops = series.edges_of(signal, False, press.t_s - 1.0, press.t_s + SILENCE_S)
    by_panel = next((edge for edge in stops if edge.seen_by == "panel"), None)
    by_witness = next((edge for edge in stops if edge.seen_by == "witness"), None)
    if began.witness is not None and by_witness is None:
        where = {"post": spec.post, "tag": spec.tag}
        text = (
            said("After silence the panel says that it stopped, but no witness at {post} heard {tag} stop.", **where)
            if by_panel
            else said("After silence neither panel nor the witness at {post} heard {tag} stop.", **where)
        )
        return happened(criterion, False, text, [said("silence does not reach {tag}", tag=spec.tag)])
    edge = by_witness or by_panel
    if edge is None:
        return happened(
            criterion,
            False,
            said("{tag} went on after silence.", tag=spec.tag),
            [said("silence does not reach {tag}", tag=spec.tag)],
        )
    if not any(series.stands_at(f"{case.tag}.{point.name}", edge.latest_s) for point in case.detector.alarms):
        return inconclusive(
            criterion,
            said(
                "{tag} stopped, but no alarm of {detector} stood any more at that moment.",
                tag=spec.tag,
                detector=case.tag,
            ),
        )
    delay_s = edge.at.t_s - press.t_s
    return happened(
        criterion,
        True,
        said("{tag} stopped {delay} s after silence while the alarm stood.", tag=spec.tag, delay=number(delay_s)),
    )


def effect_lines(series: Series, findings: Iterable[tuple[Case, Criterion, Finding]]) -> tuple[EffectFinding, ...]:
    """The lines of the matrix as they were shown."""
    rows = []
    for case, criterion, finding in findings:
        if criterion.kind != "effect":
            continue
        point, tag = criterion.point or "", criterion.effect or ""
        line = line_of(series.plan.site, case.tag, point, tag)
        cause = cause_edge(case, point)
        seen_by: SeenBy = "nobody"
        if cause is not None:
            seen_by = acted(series, tag, cause.t_s - BEFORE_S - 2 * cause.u_s, _until(case, point)).seen_by
        rows.append(
            EffectFinding(
                cause=line[1] if line else f"{case.tag}.{point}",
                effect=tag,
                delay_s=finding.value,
                u_s=finding.u,
                within_s=criterion.upper if criterion.upper is not None else math.inf,
                seen_by=seen_by,
                outcome=finding.outcome,
                why=finding.why,
            )
        )
    return tuple(rows)
