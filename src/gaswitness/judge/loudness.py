"""Loud enough, and not too loud? The level that somebody measured at a post while its sounders sounded."""

from __future__ import annotations

from gaswitness.evidence.series import Series
from gaswitness.judge.budget import Budget, Term
from gaswitness.judge.finding import inconclusive, judged, not_tested
from gaswitness.judge.records import Finding
from gaswitness.plan.records import Criterion
from gaswitness.plan.sounds import limits
from gaswitness.run.events import SoundMeasured
from gaswitness.wording import number


def measured_at(series: Series, criterion: Criterion) -> SoundMeasured | None:
    """What was measured at the criterion's post; of several, the last."""
    return next((one for one in reversed(series.sounds) if one.post == criterion.post), None)


def audible(series: Series, criterion: Criterion) -> Finding:
    """The measured level, noise and all, against the published rules for this post's noise."""
    found = measured_at(series, criterion)
    if found is None:
        return not_tested(criterion, f"The sound level at {criterion.post} was not measured.")
    signal = f"{found.effect}.on"
    if series.polled(signal) and series.on_at(signal, found.t_s) is False:
        why = f"{number(found.level_dba)} dBA were measured at {found.post} while {found.effect} was not driven."
        return inconclusive(criterion, why, [f"measure at {found.post} once more while {found.effect} sounds"])
    post = next(one for one in series.plan.site.posts if one.tag == criterion.post)
    least, most = limits(post)
    row = most if found.level_dba > most.needed_dba else least
    place = f" ({found.note})" if found.note else ""
    why = (
        f"{number(found.level_dba)} dBA were measured at {found.post}{place} while {found.effect} sounded; {row.bound} "
        f"{number(row.needed_dba)} dBA are asked for: {row.rule} ({row.origin})."
    )
    causes = (
        [f"{found.effect} is too near or set too loud for {found.post}"]
        if row is most
        else [
            f"{found.effect} does not sound, or is weaker than its data sheet",
            f"a closed door, a wall or goods between {found.effect} and {found.post}",
        ]
    )
    return judged(criterion, found.level_dba, Budget((Term("sound level meter", found.u_db),)), why, causes)
