"""Which lines of the cause-and-effect matrix the test of one detector can show, and which it cannot.

A line is shown where the detector's own points, one after the other, bring the effect from off to on. It is not
shown where a vote needs more detectors, where the effect is inhibited for the visit, or where an earlier point of
the same detector has already brought the same effect.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from gaswitness.plan.records import NotShown
from gaswitness.sentence import said
from gaswitness.site.records import AlarmPointSpec, Detector, Effect, MatrixLine, Pattern, Site

FAULT = "fault"


@dataclass(frozen=True, slots=True)
class Line:
    """One cause that brings one effect during the test of one detector."""

    cause: str
    """As the matrix has it: `TAG.point`, `TAG.fault`, or the tag of a vote group."""
    point: str
    """Point of the detector under test at which the cause becomes true, or `fault`."""
    effect: Effect
    within_s: float
    pattern: Pattern
    delay_shown: bool
    """False where the effect is on already and only its pattern changes."""


@dataclass(frozen=True, slots=True)
class Reach:
    """What one detector's test shows of the matrix."""

    lines: tuple[Line, ...]
    not_shown: tuple[NotShown, ...]
    driven: tuple[Effect, ...]
    """Every effect that the points under test would bring, inhibited or not."""

    def at(self, point: str) -> tuple[str, ...]:
        """Effects to be watched when this point sets."""
        return tuple(dict.fromkeys(line.effect.tag for line in self.lines if line.point == point))


def in_order(points: Sequence[AlarmPointSpec]) -> tuple[AlarmPointSpec, ...]:
    """Points in the order in which test gas passes them."""
    return tuple(sorted(points, key=lambda p: p.set_ppm if p.direction == "rising" else -p.set_ppm))


def has_fault_signal(site: Site, tag: str) -> bool:
    """Whether a fault of this detector can be seen anywhere: on the matrix, or as a status bit."""
    name = f"{tag}.{FAULT}"
    return any(name in line.causes for line in site.matrix) or any(name in link.signals for link in site.links)


def poll_s(site: Site, signal: str) -> float:
    """Time between polls of the link that carries this signal [s]; 1 s where none does."""
    for link in site.links:
        if signal in link.signals:
            return link.poll_s
    return 1.0


def reach(site: Site, detector: Detector, points: Sequence[AlarmPointSpec], live: frozenset[str]) -> Reach:
    """Sort the matrix into what the test of `detector` shows and what it does not.

    `points` are those under test; `live` are tags of inhibitable effects that may really act during the visit.
    """
    order = [p.name for p in in_order(points)]
    if has_fault_signal(site, detector.tag):
        order.append(FAULT)
    found: dict[str, list[tuple[int, str, MatrixLine]]] = {}
    not_shown: list[NotShown] = []
    driven: dict[str, Effect] = {}
    for line in site.matrix:
        moments = {cause: _moment(site, detector.tag, cause, order) for cause in line.causes}
        touched = {cause: at for cause, at in moments.items() if at != _FOREIGN}
        if not touched:
            continue
        driven.setdefault(line.effect, site.effect(line.effect))
        if line.need == "all":
            if any(not isinstance(at, int) for at in moments.values()) or _mixes_fault(moments.values(), order):
                not_shown += [
                    NotShown(cause=c, effect=line.effect, why=said("needs causes of other detectors at the same time"))
                    for c in touched
                ]
                continue
            last = max(touched, key=lambda c: (_place(touched[c]), c))
            touched = {last: touched[last]}
        for cause, at in touched.items():
            if isinstance(at, int):
                found.setdefault(line.effect, []).append((at, cause, line))
            else:
                not_shown.append(NotShown(cause=cause, effect=line.effect, why=at))
    lines: list[Line] = []
    for tag, causes in found.items():
        effect = driven[tag]
        if effect.inhibitable and tag not in live:
            not_shown += [
                NotShown(cause=cause, effect=tag, why=said("inhibited for the visit; only its release is proven"))
                for _, cause, _ in causes
            ]
            continue
        shown, masked = _first_to_act(effect, sorted(causes, key=lambda entry: (entry[0], entry[2].within_s)), order)
        lines += shown
        not_shown += masked
    lines.sort(key=lambda line: order.index(line.point))
    return Reach(tuple(lines), tuple(not_shown), tuple(driven.values()))


_FOREIGN = "foreign"


def _moment(site: Site, tag: str, cause: str, order: list[str]) -> int | str:
    """Place in `order` at which `cause` becomes true; else why it does not, or `_FOREIGN` if it is none of ours."""
    owner, _, point = cause.partition(".")
    if point:
        if owner != tag:
            return _FOREIGN
        return order.index(point) if point in order else said("its alarm point is not part of this plan")
    group = next((g for g in site.groups if g.tag == cause), None)
    members = [m.partition(".")[2] for m in group.members if m.partition(".")[0] == tag] if group else []
    if group is None or not members:
        return _FOREIGN
    places = sorted(order.index(m) for m in members if m in order)
    if len(places) < group.need:
        return said(
            "{need} of {members} must agree, and one detector at a time does not reach that",
            need=group.need,
            members=len(group.members),
        )
    return places[group.need - 1]


def _place(at: int | str) -> int:
    return at if isinstance(at, int) else -1


def _mixes_fault(moments: Iterable[int | str], order: list[str]) -> bool:
    """A fault is made after the points have cleared, so it never stands together with one of them."""
    names = {order[at] for at in moments if isinstance(at, int)}
    return FAULT in names and len(names) > 1


def _first_to_act(
    effect: Effect, causes: list[tuple[int, str, MatrixLine]], order: list[str]
) -> tuple[list[Line], list[NotShown]]:
    """The gas points rise together, so only the first shows the delay; a fault is made after they have cleared."""
    lines: list[Line] = []
    masked: list[NotShown] = []
    acting: Line | None = None
    for at, cause, matrix_line in causes:
        point = order[at]
        fresh = acting is None or (point == FAULT and acting.point != FAULT)
        pattern = matrix_line.pattern or effect.pattern
        if fresh or (acting is not None and pattern != acting.pattern and point != acting.point):
            acting = Line(cause, point, effect, matrix_line.within_s, pattern, delay_shown=fresh)
            lines.append(acting)
            continue
        if acting is not None and cause != acting.cause:
            why = said("{cause} of the same test has brought it already", cause=acting.cause)
            masked.append(NotShown(cause=cause, effect=effect.tag, why=why))
    return lines, masked
