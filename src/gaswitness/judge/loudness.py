"""Loud enough, and not too loud? The level that somebody measured at a post while its sounders sounded."""

from __future__ import annotations

from gaswitness.evidence.series import Series
from gaswitness.judge.budget import Budget, Term
from gaswitness.judge.finding import inconclusive, judged, not_tested
from gaswitness.judge.records import Finding
from gaswitness.plan.records import Criterion
from gaswitness.plan.sounds import limits
from gaswitness.run.events import SoundMeasured
from gaswitness.sentence import said
from gaswitness.wording import number, word

METER_S = 2.0
"""For a meter to be read: a sounder that changed so shortly before may not have been what it showed; assumed."""


def measured_at(series: Series, criterion: Criterion) -> SoundMeasured | None:
    """What was measured at the criterion's post; of several, the last."""
    return next((one for one in reversed(series.sounds) if one.post == criterion.post), None)


def audible(series: Series, criterion: Criterion) -> Finding:
    """The measured level, noise and all, against the published rules for this post's noise."""
    found = measured_at(series, criterion)
    if found is None:
        return not_tested(criterion, said("The sound level at {post} was not measured.", post=criterion.post or ""))
    signal = f"{found.effect}.on"
    if (doubt := _not_surely_on(series, signal, found)) is not None:
        again = said("measure at {post} once more while {effect} sounds", post=found.post, effect=found.effect)
        return inconclusive(criterion, doubt, [again])
    post = next(one for one in series.plan.site.posts if one.tag == criterion.post)
    least, most = limits(post)
    row = most if found.level_dba > most.needed_dba else least
    place = f"{found.post} ({found.note})" if found.note else found.post
    why = said(
        "{level} dBA were measured at {place} while {effect} sounded; {bound} {needed} dBA are asked for: {rule} "
        "({origin}).",
        level=number(found.level_dba),
        place=place,
        effect=found.effect,
        bound=word(row.bound),
        needed=number(row.needed_dba),
        rule=row.rule,
        origin=row.origin.told,
    )
    causes = (
        [said("{effect} is too near or set too loud for {post}", effect=found.effect, post=found.post)]
        if row is most
        else [
            said("{effect} does not sound, or is weaker than its data sheet", effect=found.effect),
            said("a closed door, a wall or goods between {effect} and {post}", effect=found.effect, post=found.post),
        ]
    )
    return judged(criterion, found.level_dba, Budget((Term("sound level meter", found.u_db),)), why, causes)


def _not_surely_on(series: Series, signal: str, found: SoundMeasured) -> str | None:
    """Why this level may not be that of the sounder; none where the panel drove it all the while, or nobody can say."""
    told = {"level": number(found.level_dba), "post": found.post, "effect": found.effect}
    if series.polled(signal) and series.on_at(signal, found.t_s) is False:
        return said("{level} dBA were measured at {post} while {effect} was not driven.", **told)
    if _changing(series, signal, found.t_s):
        return said("{level} dBA were measured at {post} while {effect} was just going on or off.", **told)
    return None


def _changing(series: Series, signal: str, t_s: float) -> bool:
    """Whether the panel's drive may have changed while the meter was read: between two polls nobody knows when."""
    return any(
        edge.seen_by == "panel" and edge.earliest_s <= t_s and edge.latest_s >= t_s - METER_S
        for edge in series.edges.get(signal, ())
    )
