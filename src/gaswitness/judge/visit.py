"""Left safe? What concerns the whole visit: inhibits lifted and proven, everybody told that it is over."""

from __future__ import annotations

from gaswitness.evidence.series import Series
from gaswitness.judge.effects import manned
from gaswitness.judge.finding import happened, inconclusive, not_tested
from gaswitness.judge.records import Finding
from gaswitness.plan.records import Criterion

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
        answers = {one.effect: f" ({one.by} handed it over to {one.to})" for one in series.handed_over}
        why = f"Inhibits still stand: {', '.join(tag + answers.get(tag, '') for tag in standing)}."
        return happened(criterion, False, why, [f"lift the inhibit on {tag} now and prove it live" for tag in standing])
    if not placed:
        return not_tested(criterion, "No inhibit was placed, so none could be proven lifted.")
    unproven = [tag for tag, last in state.items() if last == "lifted"]
    if unproven:
        return not_tested(criterion, f"Lifted, but not proven live: {', '.join(unproven)}.")
    shown = {tag: _shown(series, tag) for tag in placed}
    dead = [tag for tag, how in shown.items() if how == "stuck"]
    if dead:
        why = f"Driven by the panel after the inhibit was lifted, but no witness saw it act: {', '.join(dead)}."
        return happened(criterion, False, why, [f"stuck: {tag} is driven but nothing happens" for tag in dead])
    unseen = [tag for tag, how in shown.items() if how == "nobody"]
    if unseen:
        why = f"Said to be proven, but neither panel nor witness shows that it acted: {', '.join(unseen)}."
        return inconclusive(criterion, why, [f"prove {tag} once more with somebody at its post" for tag in unseen])
    return happened(criterion, True, f"Every inhibit was lifted and its effect seen to act: {', '.join(placed)}.")


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
        return not_tested(criterion, "Nobody was told.")
    still = [role for role in roles if role in before and role not in after]
    if still:
        why = f"Not told that the test is over: {', '.join(still)}."
        return happened(criterion, False, why, [f"tell {role} now" for role in still])
    missed = [role for role in roles if role not in before]
    if missed:
        return happened(criterion, False, f"Not told before the test: {', '.join(missed)}.", ["tell them next time"])
    return happened(criterion, True, f"Told before the test and when it was over: {', '.join(roles)}.")
