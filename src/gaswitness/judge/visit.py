"""Left safe? What concerns the whole visit: inhibits lifted and proven, everybody told that it is over."""

from __future__ import annotations

from gaswitness.evidence.series import Series
from gaswitness.judge.effects import manned
from gaswitness.judge.finding import happened, inconclusive, not_tested
from gaswitness.judge.records import Finding
from gaswitness.plan.records import Criterion
from gaswitness.sentence import listed, said

WITNESS_S = 10.0
"""Who stands at a post has pressed by then; a record that ends sooner does not say that nothing happened."""
PROVE_S = 45.0
"""An effect that is proven has acted so long after somebody said so at the latest; before that, people may walk far."""


def inhibit_lifted(series: Series, criterion: Criterion) -> Finding:
    """Every inhibit that was placed has been lifted, and its effect seen to act once more."""
    state = {move.effect: move.state for move in series.inhibits}
    placed = list(state)
    standing = [tag for tag, last in state.items() if last == "placed" or _still_shown(series, tag)]
    if standing:
        answers = {
            one.effect: said("{effect} ({by} handed it over to {to})", effect=one.effect, by=one.by, to=one.to)
            for one in series.handed_over
        }
        why = said("Inhibits still stand: {effects}.", effects=listed([answers.get(tag, tag) for tag in standing]))
        causes = [said("lift the inhibit on {effect} now and prove it live", effect=tag) for tag in standing]
        return happened(criterion, False, why, causes)
    if not placed:
        return not_tested(criterion, said("No inhibit was placed, so none could be proven lifted."))
    unproven = [tag for tag, last in state.items() if last == "lifted"]
    if unproven:
        told = [_why_not(series, tag) for tag in unproven]
        return not_tested(criterion, said("Lifted, but not proven live: {effects}.", effects=listed(told)))
    shown = {tag: _shown(series, tag) for tag in placed}
    dead = [tag for tag, how in shown.items() if how == "stuck"]
    if dead:
        why = said(
            "Driven by the panel after the inhibit was lifted, but no witness saw it act: {effects}.",
            effects=listed(dead),
        )
        causes = [said("stuck: {effect} is driven but nothing happens", effect=tag) for tag in dead]
        return happened(criterion, False, why, causes)
    unseen = [tag for tag, how in shown.items() if how == "nobody"]
    if unseen:
        why = said(
            "Said to be proven, but neither panel nor witness shows that it acted: {effects}.", effects=listed(unseen)
        )
        causes = [said("prove {effect} once more with somebody at its post", effect=tag) for tag in unseen]
        return inconclusive(criterion, why, causes)
    why = said("Every inhibit was lifted and its effect seen to act: {effects}.", effects=listed(placed))
    return happened(criterion, True, why)


def _why_not(series: Series, tag: str) -> str:
    """The effect that was not proven, with the reason that somebody gave."""
    left_out = [s for s in series.steps if s.step.kind == "prove" and s.step.effect == tag and s.state == "skipped"]
    if not left_out or not left_out[-1].note:
        return tag
    return said("{effect} ({by}: {why})", effect=tag, by=left_out[-1].by, why=left_out[-1].note)


def _still_shown(series: Series, tag: str) -> bool:
    return series.on_at(f"{tag}.inhibited", series.end_s) is True


def _shown(series: Series, tag: str) -> str:
    """How the effect was seen to act after its inhibit was lifted: seen, stuck, nobody, or by word only."""
    spec, signal = series.plan.site.effect(tag), f"{tag}.on"
    spans = [s for s in series.steps if s.step.kind == "prove" and s.step.effect == tag]
    ends = [s.until_s if s.until_s is not None else s.from_s for s in spans[-1:]]
    proven = [move.t_s for move in series.inhibits if move.effect == tag and move.state == "proven"]
    from_s = min([*(s.from_s for s in spans[-1:]), *proven[-1:]])
    until_s = max([*ends, *proven[-1:]]) + PROVE_S
    panel = series.edges_of(signal, True, from_s - 1.0, until_s, "panel")
    witness = series.edges_of(signal, True, from_s - 1.0, until_s, "witness")
    if witness:
        return "seen"
    if panel:
        in_time = series.end_s - panel[0].latest_s >= WITNESS_S
        return "stuck" if manned(series, spec.post, panel[0].at.t_s) and in_time else "seen"
    return "nobody" if series.polled(signal) or manned(series, spec.post, from_s) else "word"


def warned(series: Series, criterion: Criterion) -> Finding:
    """Everybody told before has been told that it is over."""
    roles = list(dict.fromkeys(s.role for s in series.plan.steps if s.kind in ("warn", "all-clear") and s.role))
    before = {event.role for event in series.told if event.what == "begins"}
    after = {event.role for event in series.told if event.what == "over"}
    if not before and not after:
        return not_tested(criterion, said("Nobody was told."))
    still = [role for role in roles if role in before and role not in after]
    if still:
        why = said("Not told that the test is over: {roles}.", roles=listed(still))
        return happened(criterion, False, why, [said("tell {role} now", role=role) for role in still])
    missed = [role for role in roles if role not in before]
    if missed:
        why = said("Not told before the test: {roles}.", roles=listed(missed))
        return happened(criterion, False, why, [said("tell them next time")])
    why = said("Told before the test and when it was over: {roles}.", roles=listed(roles))
    return happened(criterion, True, why)
