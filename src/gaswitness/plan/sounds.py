"""Where and when the level of sounders is measured: at posts that say what they hear and how loud they are without it.

A post is measured once a visit, during the test that makes most of its sounders sound.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from gaswitness.plan.lines import FAULT, Line, Reach
from gaswitness.plan.records import Criterion
from gaswitness.sentence import listed, said
from gaswitness.site.records import Post, Site
from gaswitness.sound import Audible, audible, level_at_dba
from gaswitness.wording import number

AUDIBLE = "visit/audible"


@dataclass(frozen=True, slots=True)
class Listening:
    """One post, and the sounders that sound there during one test, the one that should be loudest first."""

    tag: str
    """Detector whose test makes them sound."""
    post: Post
    sounders: tuple[str, ...]
    within_s: float
    """After the last alarm all of them sound."""


def limits(post: Post) -> tuple[Audible, Audible]:
    """The rule that asks for most at this post, and the one that allows least; both count the noise as it is.

    A meter shows alarm and noise together, so what may not be exceeded holds for its reading.
    """
    if post.noise is None:
        raise ValueError("a post without noise has no limits")
    rules = audible(0.0, post.noise.average_dba, post.noise.maximum_dba, sleeping=post.sleeping)
    least = max((row for row in rules if row.bound == "at least"), key=lambda row: row.needed_dba)
    most = min((row for row in rules if row.bound == "at most"), key=lambda row: row.needed_dba)
    return least, most


def listenings(site: Site, tests: Sequence[tuple[str, Reach]]) -> tuple[Listening, ...]:
    """Every post that can be measured in one of these tests, in the order in which the site has them."""
    found: list[Listening] = []
    for post in site.posts:
        if post.noise is None:
            continue
        heard = [_heard(site, post, tag, reach.lines) for tag, reach in tests]
        best = max(heard, key=lambda one: len(one.sounders), default=None)  # the first of equals
        if best is not None and best.sounders:
            found.append(best)
    return tuple(found)


def _heard(site: Site, post: Post, tag: str, lines: Sequence[Line]) -> Listening:
    acting = {line.effect.tag: line.within_s for line in lines if line.point != FAULT and line.effect.kind == "sounder"}
    levels = {
        hearing.effect: level_at_dba(
            site.effect(hearing.effect).sound_dba or 0.0, hearing.distance_m, hearing.barrier_db
        )
        for hearing in post.hears
        if hearing.effect in acting
    }
    loudest_first = tuple(sorted(levels, key=lambda effect: -levels[effect]))
    return Listening(tag, post, loudest_first, max((acting[effect] for effect in levels), default=0.0))


def audible_criterion(one: Listening) -> Criterion:
    """What the level at a post is held against; judged only where somebody measured it."""
    least, most = limits(one.post)
    return Criterion(
        id=f"{AUDIBLE}/{one.post.tag}",
        kind="audible",
        effect=one.sounders[0],
        post=one.post.tag,
        lower=least.needed_dba,
        upper=most.needed_dba,
        unit="dBA",
        rule="simple",
        text=_loud_enough(one, least, most),
        optional=True,
    )


def _loud_enough(one: Listening, least: Audible, most: Audible) -> str:
    parts = {
        "post": one.post.tag,
        "name": one.post.name,
        "sounders": listed(one.sounders, " and "),
        "least": number(least.needed_dba),
        "most": number(most.needed_dba),
        "rule": least.rule,
    }
    if len(one.sounders) == 1:
        return said("At {post} ({name}) {sounders} makes {least} to {most} dBA, noise and all ({rule}).", **parts)
    return said("At {post} ({name}) {sounders} make {least} to {most} dBA, noise and all ({rule}).", **parts)
