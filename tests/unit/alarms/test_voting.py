"""N of M with each rule for faulty members, group edges, and first-up."""

from __future__ import annotations

import itertools

import pytest

from gaswitness.alarms.voting import Change, FirstUp, vote, vote_edges
from gaswitness.errors import InputError


@pytest.mark.parametrize(
    ("states", "votes", "ignored", "reduces"),
    [
        # 2 of 3; each row worked by hand: alarms + faulty >= 2, alarms >= 2, alarms >= min(2, members left)
        ([False, False, False], False, False, False),
        ([True, False, False], False, False, False),
        ([True, True, False], True, True, True),
        ([None, False, False], False, False, False),
        ([None, True, False], True, False, False),
        ([None, True, True], True, True, True),
        ([None, None, False], True, False, False),
        ([None, None, True], True, False, True),
        ([None, None, None], True, False, True),
    ],
)
def test_two_of_three(states: list[bool | None], votes: bool, ignored: bool, reduces: bool) -> None:
    for order in itertools.permutations(states):
        members = dict(zip("ABC", order, strict=True))
        assert [vote(members, 2, rule).on for rule in ("votes", "ignored", "reduces")] == [votes, ignored, reduces]


def test_without_faults_the_rules_agree() -> None:
    for m in range(1, 5):
        for states in itertools.product([False, True], repeat=m):
            for need in range(1, m + 1):
                members = {str(i): state for i, state in enumerate(states)}
                told = {vote(members, need, rule).on for rule in ("votes", "ignored", "reduces")}
                assert told == {sum(states) >= need}


def test_what_makes_no_sense_is_refused() -> None:
    with pytest.raises(InputError, match="1 to 2"):
        vote({"A": True, "B": False}, 3)
    with pytest.raises(InputError, match="'reduces'"):
        vote({"A": True}, 1, "sometimes")  # type: ignore[arg-type]
    with pytest.raises(InputError, match="no member"):
        vote_edges([Change(0.0, "Z", True)], ["A"], 1)
    with pytest.raises(InputError, match="out of order"):
        vote_edges([Change(1.0, "A", True), Change(0.0, "A", False)], ["A"], 1)


def test_group_edges() -> None:
    changes = [
        Change(1.0, "A", True),
        Change(2.0, "B", True),  # 2 of 3: on
        Change(3.0, "A", False),
        Change(3.0, "C", True),  # exchanged at one instant: no edge
        Change(5.0, "C", None),  # faulty: it goes on counting where faulty votes
        Change(6.0, "B", False),  # only the faulty one is left
    ]
    assert vote_edges(changes, "ABC", 2, "votes") == ((2.0, True), (6.0, False))
    assert vote_edges(changes, "ABC", 2, "ignored") == ((2.0, True), (5.0, False))
    assert vote_edges([], "ABC", 2) == ()


def test_first_up() -> None:
    mark = FirstUp()
    seen = []
    for a, b, c in [(0, 0, 0), (0, 1, 0), (1, 1, 0), (1, 0, 0), (0, 0, 0), (1, 0, 1)]:
        mark = mark.step({"A": bool(a), "B": bool(b), "C": bool(c)})
        seen.append("".join(sorted(mark.first)))
    assert seen == ["", "B", "B", "B", "", "AC"]
