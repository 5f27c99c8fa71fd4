"""Does the vote hold? Rounds of a group trial: too few members and nothing acts, enough and it does, then it clears.

When enough members stood is worked out from their own edges and faults by the reference logic of votes, not taken from
the panel. What the panel does with its inputs is what is judged.
"""

from __future__ import annotations

import math

from gaswitness.alarms.voting import vote
from gaswitness.evidence.series import Edge, Series
from gaswitness.judge.budget import Budget, Term
from gaswitness.judge.effects import BEFORE_S, acted, instead, manned
from gaswitness.judge.finding import fell_short, happened, inconclusive, judged, not_tested, worst
from gaswitness.judge.patience import TELLING_S, cut_off
from gaswitness.judge.records import EffectFinding, Finding
from gaswitness.judge.rounds import SLACK_S, Round, tag_of
from gaswitness.plan.criteria import SEEN_PATTERNS
from gaswitness.plan.records import Criterion
from gaswitness.sentence import listed, said
from gaswitness.site.records import Effect
from gaswitness.wording import number, word

GONE_S = 5.0
"""What still acts so long after the last step of a round has not stopped."""


def round_of(series: Series, criterion: Criterion) -> Round:
    """The round in which this criterion is shown."""
    group = next(group for group in series.plan.site.groups if group.tag == criterion.group)
    return Round(series, group, next(bout for bout in series.plan.bouts if bout.bout == criterion.bout))


def judge_vote(series: Series, criterion: Criterion) -> Finding:
    """One criterion of a group trial."""
    one = round_of(series, criterion)
    if one.span is None:
        return not_tested(criterion, said("This round of {group} was not gone through.", group=one.group.tag))
    if one.standing_before:
        return not_tested(
            criterion, said("{members} stood before this round began.", members=listed(one.standing_before))
        )
    lost = series.broken(one.from_s, one.gas_off_s)
    finding = _JUDGES[criterion.kind](one, criterion)
    if criterion.kind == "vote-acts" and finding.outcome == "fail" and one.stood is not None:
        waited_s, due_s = series.end_s - one.stood.t_s, (criterion.upper or 0.0) + TELLING_S
        if (too_soon := cut_off(said("enough members stood"), waited_s, due_s)) is not None:
            return not_tested(criterion, too_soon)
    if lost and finding.outcome in ("fail", "pass") and criterion.kind != "vote-clears":
        return inconclusive(
            criterion,
            said("{why} But the link was down for a part of this round; go through it again.", why=finding.why),
            [said("link dropped: {what}", what=lost[0].what)],
        )
    return finding


def _effects_of(one: Round) -> tuple[str, ...]:
    ids = [c for c in one.series.plan.criteria if c.bout == one.bout.bout]
    named = [c.effect for c in ids if c.kind == "vote-acts" and c.effect is not None]
    watched = [tag for step in one.series.plan.steps if step.bout == one.bout.bout for tag in step.watch]
    return tuple(dict.fromkeys([*named, *watched]))


def _within_s(one: Round, effect: str) -> float:
    limits = [
        line.within_s for line in one.series.plan.site.matrix if line.effect == effect and one.group.tag in line.causes
    ]
    return max(limits, default=0.0)


def _quiet(one: Round, criterion: Criterion) -> Finding:
    """As long as too few members stood, nothing acted."""
    series = one.series
    until_s = one.stood.t_s - SLACK_S - 2 * one.stood.u_s if one.stood else one.gas_off_s
    inhibited = [tag for tag in _effects_of(one) if series.on_at(f"{tag}.inhibited", one.from_s)]
    if inhibited:
        return not_tested(criterion, said("{effect} was inhibited.", effect=listed(inhibited)))
    early = _early(one, until_s)
    if early:
        effect, edge = early[0]
        votes = vote(one.states_at(edge.at.t_s), one.group.need, one.group.faulty)
        standing = [m for m, state in one.states_at(edge.at.t_s).items() if state is not False]
        why = said(
            "{effects} acted with {votes} of {of} members standing ({members}), and {need} are needed.",
            effects=listed(tag for tag, _ in early),
            votes=votes.votes,
            of=len(one.group.members),
            members=listed(standing) if standing else said("none"),
            need=votes.need,
        )
        return judged(criterion, float(len(early)), Budget(), why, _too_early(one, effect, edge))
    strange = _strange(one, criterion)
    if strange is not None:
        return strange
    unseen = [
        effect
        for effect in _effects_of(one)
        if not series.polled(f"{effect}.on") and not manned(series, series.plan.site.effect(effect).post, until_s)
    ]
    if unseen:
        text = said("Nobody watched {effects}, and no status bit shows it.", effects=listed(unseen))
        return not_tested(criterion, text)
    held_s, due_s = _held_s(one), max(_within_s(one, effect) for effect in _effects_of(one))
    if held_s < due_s:
        text = said(
            "Nothing acted, but too few members stood for {held} s only, and it may take {due} s; hold it for longer.",
            held=number(max(0.0, held_s)),
            due=number(due_s),
        )
        return inconclusive(criterion, text)
    why = said("Nothing acted in {held} s with too few members in alarm.", held=number(held_s))
    return judged(criterion, 0.0, Budget(), why)


def _early(one: Round, until_s: float) -> list[tuple[str, Edge]]:
    """Effects that acted before enough members stood, with the first edge of each."""
    found: list[tuple[str, Edge]] = []
    for effect in _effects_of(one):
        edges = [e for e in one.series.edges.get(f"{effect}.on", ()) if e.on and one.from_s <= e.at.t_s <= until_s]
        found += [(effect, edge) for edge in edges[:1]]
    return found


def _held_s(one: Round) -> float:
    """The shortest time for which the members stood as they were, before the next one came."""
    came = [at.t_s for change, at in one.changes if change.state is not False]
    if not came:
        return 0.0
    ends = [*came[1:], one.gas_off_s]
    stood_s = one.stood.t_s if one.stood is not None else math.inf
    return min((end - begin for begin, end in zip(came, ends, strict=True) if begin < stood_s), default=0.0)


def _too_early(one: Round, effect: str, edge: Edge) -> list[str]:
    """Why it acted with too few, most likely first."""
    driven = one.series.edges_of(f"{effect}.on", True, edge.at.t_s - BEFORE_S - 20.0, edge.latest_s + SLACK_S, "panel")
    if one.series.polled(f"{effect}.on") and not driven:
        return [said("{effect} acted although the panel did not drive it (outputs exchanged?)", effect=effect)]
    states = one.states_at(edge.at.t_s)
    alarms, faulty = sum(s is True for s in states.values()), sum(s is None for s in states.values())
    if faulty and not alarms:
        first = said(
            "vote: the panel takes the fault of a member of {group} for more than the site says", group=one.group.tag
        )
    elif faulty:
        first = said(
            "vote: with a faulty member {group} needs fewer at the panel than the site says", group=one.group.tag
        )
    else:
        first = said(
            "vote: at the panel {votes} of {of} is enough for {group}, not {need} of {of}",
            votes=max(1, alarms),
            of=len(one.group.members),
            group=one.group.tag,
            need=one.group.need,
        )
    return [first, said("another line of the matrix at the panel brings {effect} on a single member", effect=effect)]


def _strange(one: Round, criterion: Criterion) -> Finding | None:
    """Members that did not come where they should, or came where they should not."""
    if one.answered_instead and one.silent:
        text = said(
            "{silent} did not alarm on its gas; {other} came instead.",
            silent=listed(one.silent),
            other=listed(one.answered_instead),
        )
        cause = said(
            "crossed: the gas on {tag} was answered by {other}",
            tag=one.silent[0],
            other=tag_of(one.answered_instead[0]),
        )
        return inconclusive(criterion, text, [cause])
    if one.answered_instead:
        first = one.answered_instead[0]
        text = said("{member} came without gas on it, or before it, so this round shows nothing.", member=first)
        cause = said("crossed: {tag} answered to gas on another member, or a real alarm", tag=tag_of(first))
        return inconclusive(criterion, text, [cause])
    if one.silent:
        text = said(
            "{silent} did not alarm on its gas, so the vote was not put to the test.", silent=listed(one.silent)
        )
        return inconclusive(criterion, text, [said("what is wrong with {tag} itself", tag=one.silent[0])])
    return None


def _acts(one: Round, criterion: Criterion) -> Finding:
    """Delay from the moment at which enough members stood."""
    series, effect = one.series, _effect(one, criterion)
    if one.stood is None:
        strange = _strange(one, criterion)
        text = said(
            "There were never enough members in alarm in this round ({came}).", came=one.first_up or said("none")
        )
        return strange or not_tested(criterion, text)
    from_s = one.stood.t_s - BEFORE_S - 2 * one.stood.u_s
    before = [e for e in series.edges.get(f"{effect.tag}.on", ()) if e.on and one.from_s <= e.at.t_s < from_s]
    if before or series.on_at(f"{effect.tag}.on", from_s):
        return not_tested(criterion, said("{tag} was on before enough members stood.", tag=effect.tag))
    strange = _strange(one, criterion)
    if strange is not None:
        return strange
    seen = acted(series, effect.tag, from_s, one.gas_off_s + BEFORE_S)
    if seen.at is None:
        return _did_not(one, criterion)
    if seen.witness is None and manned(series, effect.post, seen.at.t_s):
        text = said(
            "The panel says that {tag} is on, but the witness at {post} saw nothing of it.",
            tag=effect.tag,
            post=effect.post,
        )
        other = instead(series, effect.tag, from_s, one.gas_off_s)
        stuck = said(
            "stuck: the output of {tag} is driven, nothing happens (relay, cable, fuse, device)", tag=effect.tag
        )
        crossed = said(
            "crossed: {other} answered where {tag} was due (outputs exchanged)", other=other or "", tag=effect.tag
        )
        return fell_short(criterion, text, [crossed if other else stuck])
    delay = seen.at - one.stood
    if seen.witness is None:
        text = said(
            "The panel drove {effect} {delay} s after {cause}, but nobody is known to have stood at post {post}; "
            "a witness there would settle whether it acted.",
            effect=effect.tag,
            delay=number(delay.t_s),
            cause=one.group.tag,
            post=effect.post,
        )
        return inconclusive(
            criterion, text, [said("nobody stood at {post}, or {tag} never acted", post=effect.post, tag=effect.tag)]
        )
    expected = _pattern(one, effect)
    looked = seen.witness.pattern
    if effect.kind in SEEN_PATTERNS and looked is not None and looked != expected:
        text = said(
            "{witness} at {post} saw {tag} {pattern}.",
            witness=seen.witness.witness,
            post=seen.witness.post,
            tag=effect.tag,
            pattern=word(looked),
        )
        cause = said(
            "the pattern of {tag} is configured as {pattern} at the panel, not as {expected}",
            tag=effect.tag,
            pattern=word(looked),
            expected=word(expected),
        )
        return fell_short(criterion, text, [cause])
    budget = Budget((Term("instant of the cause", one.stood.u_s), Term("instant of the effect", seen.at.u_s)))
    why = said(
        "{members} came, in this order; {effect} acted {delay} s after enough of them stood.",
        members=one.first_up,
        effect=effect.tag,
        delay=number(delay.t_s),
    )
    return judged(
        criterion,
        delay.t_s,
        budget,
        why,
        [said("{tag} is slow to act, or a delay at the panel is longer than stated", tag=effect.tag)],
    )


def _effect(one: Round, criterion: Criterion) -> Effect:
    return one.series.plan.site.effect(criterion.effect or "")


def _pattern(one: Round, effect: Effect) -> str:
    """How the effect should look or sound on this vote."""
    lines = [line for line in one.series.plan.site.matrix if line.effect == effect.tag and one.group.tag in line.causes]
    return next((line.pattern for line in lines if line.pattern is not None), effect.pattern)


def _did_not(one: Round, criterion: Criterion) -> Finding:
    series, effect = one.series, _effect(one, criterion)
    if not series.polled(f"{effect.tag}.on") and not manned(series, effect.post, one.gas_off_s):
        text = said("Nobody stood at {post}, and no status bit shows {tag}.", post=effect.post, tag=effect.tag)
        return not_tested(criterion, text)
    text = said(
        "{effect} did not act although enough members stood ({members}).", effect=effect.tag, members=one.first_up
    )
    return fell_short(criterion, text, _not_counted(one, effect.tag))


def _not_counted(one: Round, effect: str) -> list[str]:
    """Why a vote that stood brought nothing: all rounds together tell whether it is a member or the number needed."""
    others = [
        Round(one.series, one.group, bout)
        for bout in one.series.plan.bouts
        if bout.group == one.group.tag and bout.bout != one.bout.bout
    ]
    came, failed = set(), [set(_who(one))]
    for other in others:
        if other.span is None or other.stood is None:
            continue
        if acted(one.series, effect, other.stood.t_s - BEFORE_S, other.gas_off_s + BEFORE_S).at is not None:
            came |= set(_who(other))
        elif set(other.bout.faulty) == set(one.bout.faulty):
            failed.append(set(_who(other)))
    suspects = sorted(set.intersection(*failed) - came)
    number_of = said(
        "vote: the panel wants more members of {group} than {need} of {of}",
        group=one.group.tag,
        need=one.group.need,
        of=len(one.group.members),
    )
    if one.bout.faulty:
        first = said("vote: the panel does not count a faulty member of {group} as the site says", group=one.group.tag)
        return [first, number_of]
    if came and suspects:
        return [
            said("vote: the panel does not count {member} in {group}", member=suspects[0], group=one.group.tag),
            number_of,
        ]
    return [number_of, said("the matrix at the panel does not bring {tag} on this cause", tag=effect)]


def _who(one: Round) -> tuple[str, ...]:
    """Members that stood in alarm at the moment of the vote."""
    if one.stood is None:
        return ()
    return tuple(member for member, state in one.states_at(one.stood.t_s).items() if state is True)


def _clears(one: Round, criterion: Criterion) -> Finding:
    """At the end of the round nothing of it acts any more."""
    series = one.series
    if one.stood is None:
        return not_tested(criterion, said("There was nothing to clear: enough members never stood."))
    complete = series.stopped is not None and series.stopped.outcome == "complete"
    if not one.finished or (not complete and series.end_s < one.until_s + GONE_S):
        return not_tested(
            criterion, said("This round of {group} was not gone through to its end.", group=one.group.tag)
        )
    standing = [member for member, state in one.states_at(one.until_s).items() if state is not False]
    if standing:
        text = said("{members} had not cleared when the round ended.", members=listed(standing))
        return inconclusive(criterion, text, [said("gas still there, or the round was cut short")])
    on: list[str] = []
    for effect in _effects_of(one):
        signal = f"{effect}.on"
        if acted(series, effect, one.stood.t_s - BEFORE_S, one.gas_off_s + BEFORE_S).at is None:
            return not_tested(criterion, said("{effect} had not acted, so it could not stop.", effect=effect))
        by_panel = series.on_at(signal, one.until_s + GONE_S)
        marks = [e for e in series.edges.get(signal, ()) if e.seen_by == "witness" and e.at.t_s <= one.until_s + GONE_S]
        if by_panel or (marks and marks[-1].on):
            on.append(effect)
    if on:
        text = said("{effects} still acted when all members had cleared.", effects=listed(on))
        return happened(
            criterion, False, text, [said("{effect} holds for longer than stated, or needs a reset", effect=on[0])]
        )
    return happened(criterion, True, said("All of it had stopped when the members had cleared."))


def group_lines(series: Series, group: str, findings: tuple[Finding, ...]) -> tuple[EffectFinding, ...]:
    """Lines of the matrix that a group brings, as its rounds showed them: the worst of them, and the longest delay."""
    criteria = {c.id: c for c in series.plan.criteria if c.group == group and c.kind == "vote-acts"}
    by_id = {c.id: c for c in series.plan.criteria if c.group == group}
    rows: list[EffectFinding] = []
    for effect in dict.fromkeys(c.effect for c in criteria.values()):
        mine = [f for f in findings if f.criterion in criteria and criteria[f.criterion].effect == effect]
        quiet = {c.id for c in series.plan.criteria if c.group == group and c.kind == "vote-quiet"}
        mine += [f for f in findings if f.criterion in quiet and f.outcome == "fail" and _named(series, f, effect)]
        outcome = worst(f.outcome for f in mine)
        told = next((f for f in mine if f.outcome == outcome), mine[0])
        longest = max((f for f in mine if f.value is not None), key=lambda f: f.value or 0.0, default=told)
        shown = told if outcome != "pass" else longest
        one = round_of(series, by_id[shown.criterion])
        stood = one.stood
        seen_by = (
            acted(series, effect or "", stood.t_s - BEFORE_S, one.gas_off_s + BEFORE_S).seen_by if stood else "nobody"
        )
        rows.append(
            EffectFinding(
                cause=group,
                effect=effect or "",
                delay_s=shown.value if shown.kind == "vote-acts" else None,
                u_s=shown.u if shown.kind == "vote-acts" else None,
                within_s=next((c.upper for c in criteria.values() if c.effect == effect and c.upper), math.inf),
                seen_by=seen_by,
                outcome=outcome,
                why=shown.why,
            )
        )
    return tuple(rows)


def _named(series: Series, finding: Finding, effect: str | None) -> bool:
    """Whether this effect is one of those that acted too early in the round of a finding."""
    criterion = next(c for c in series.plan.criteria if c.id == finding.criterion)
    one = round_of(series, criterion)
    until_s = one.stood.t_s - SLACK_S if one.stood else one.gas_off_s
    return any(tag == effect for tag, _ in _early(one, until_s))


_JUDGES = {"vote-quiet": _quiet, "vote-acts": _acts, "vote-clears": _clears}
