"""N of M: alarm points that must agree, and which of a group came first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from gaswitness.errors import InputError

FaultyVote = Literal["votes", "ignored", "reduces"]


@dataclass(frozen=True, slots=True)
class Vote:
    """How a group stands."""

    on: bool
    votes: int
    """Members that count as an alarm."""
    need: int
    """Votes needed, as things stand."""
    of: int
    """Members that count, as things stand."""


def vote(members: Mapping[str, bool | None], need: int, faulty: FaultyVote = "votes") -> Vote:
    """Whether enough members of a group are in alarm; a member that is None is faulty and cannot tell.

    What a faulty member does is a choice of the site:

    - `votes`: it counts as an alarm. 2 of 3 becomes 1 of the 2 that are left: safe, with more false alarms.
    - `ignored`: it counts as none. 2 of 3 becomes 2 of 2; with two faulty the group can no longer alarm.
    - `reduces`: it leaves the group, which needs no more votes than it has members: 2 of 3, 2 of 2, 1 of 1. A group
      with no member left cannot see at all, and that is an alarm.

    >>> vote({"A.high": True, "B.high": None, "C.high": False}, 2, "votes").on
    True
    >>> vote({"A.high": True, "B.high": None, "C.high": False}, 2, "reduces")
    Vote(on=False, votes=1, need=2, of=2)
    """
    if not 1 <= need <= len(members):
        raise InputError("votes needed", found=need, expected=f"1 to {len(members)}, the members of the group")
    alarms = sum(state is True for state in members.values())
    faults = sum(state is None for state in members.values())
    of = len(members)
    if faulty == "votes":
        alarms += faults
    elif faulty == "reduces":
        of -= faults
        need = min(need, of)
    elif faulty != "ignored":
        raise InputError("what a faulty member does", found=faulty, expected="'votes', 'ignored' or 'reduces'")
    return Vote(alarms >= need, alarms, need, of)


@dataclass(frozen=True, slots=True)
class Change:
    """A member of a group that set, cleared, or became faulty (None)."""

    t_s: float
    member: str
    state: bool | None


def vote_edges(
    changes: Iterable[Change], members: Sequence[str], need: int, faulty: FaultyVote = "votes"
) -> tuple[tuple[float, bool], ...]:
    """When a group sets and clears, from the changes of its members in order of time; all begin normal.

    Changes of one instant count together, so that an exchange of members at one instant brings no edge.

    >>> a, b = Change(1.0, "A", True), Change(4.0, "B", True)
    >>> vote_edges([a, b, Change(9.0, "A", False)], ["A", "B", "C"], 2)
    ((4.0, True), (9.0, False))
    """
    states: dict[str, bool | None] = dict.fromkeys(members, False)
    on = False
    edges: list[tuple[float, bool]] = []
    waiting: float | None = None
    for change in changes:
        if change.member not in states:
            raise InputError("no member of the group", found=change.member, expected="one of " + ", ".join(members))
        if waiting is not None and change.t_s < waiting:
            raise InputError("changes out of order", found=change.t_s, expected=f"not before {waiting} s")
        if waiting is not None and change.t_s > waiting:
            on = _tell(edges, waiting, on, vote(states, need, faulty).on)
        states[change.member] = change.state
        waiting = change.t_s
    if waiting is not None:
        _tell(edges, waiting, on, vote(states, need, faulty).on)
    return tuple(edges)


def _tell(edges: list[tuple[float, bool]], t_s: float, before: bool, after: bool) -> bool:
    if after != before:
        edges.append((t_s, after))
    return after


@dataclass(frozen=True, slots=True)
class FirstUp:
    """Which members of a group came first; empty while the whole group is normal.

    Members that set at the same step share the first place: which of them was truly first cannot be known from
    outside the panel's scan.

    >>> FirstUp().step({"A": False, "B": True}).step({"A": True, "B": True}).first
    frozenset({'B'})
    """

    first: frozenset[str] = frozenset()

    def step(self, members: Mapping[str, bool]) -> FirstUp:
        """The mark after the members have become as given; it stays until the last of them is normal again."""
        active = frozenset(member for member, on in members.items() if on)
        if not active:
            return FirstUp()
        return self if self.first else FirstUp(active)
