"""A round of a group trial as a ledger has it: who came first, when the vote stood, who did not come."""

from __future__ import annotations

import pytest

from gaswitness.evidence.ledger import read_ledger
from gaswitness.evidence.series import Series, series_of
from gaswitness.judge.rounds import Round
from gaswitness.judge.votes import judge_vote
from gaswitness.plan.records import Plan
from gaswitness.run.events import Event, GasTurned, MarkMade, RunStarted, RunStopped, StatusSeen, StepMoved
from support.ledgers import WALL, write_chain
from support.rigged import example_plan

PLAN = example_plan("coldstore.yaml", ("CS-1", "CS-2"), (), "first")
BOUT = PLAN.bouts[0]


def status(t_s: float, signal: str, on: bool = True, poll_s: float = 1.0) -> StatusSeen:
    return StatusSeen(t_s=t_s, wall=WALL, signal=signal, on=on, after_t_s=t_s - poll_s)


def series(*happened: Event, plan: Plan = PLAN, polled: tuple[str, ...] = ()) -> Series:
    """The first round, 10 s to 200 s, with gas on the first member at 20 s and on the second one at 80 s."""
    steps = [step for step in plan.steps if step.bout == BOUT.bout]
    first = [StatusSeen(t_s=1.0, wall=WALL, signal=signal, on=False, after_t_s=None) for signal in polled]
    moves = [StepMoved(t_s=10.0 + n, wall=WALL, step=step.id, state="started") for n, step in enumerate(steps)]
    ends = [StepMoved(t_s=200.0, wall=WALL, step=step.id, state="done") for step in steps]
    gas = [
        GasTurned(t_s=t_s, wall=WALL, tag=tag, cylinder="BTL-NH3", on=on, by="MK", u_s=0.1)
        for t_s, tag, on in ((20.0, "CS-1", True), (80.0, "CS-2", True), (150.0, "CS-1", False), (150.0, "CS-2", False))
    ]
    started = RunStarted(t_s=0.0, wall=WALL, run_id="R", plan=plan, link="bench:", operator="MK", software="test")
    stopped = RunStopped(t_s=300.0, wall=WALL, outcome="complete")
    between = sorted([*moves, *ends, *gas, *happened], key=lambda event: event.t_s)
    return series_of(read_ledger(write_chain([started, *first, *between, stopped])))


def round_of(found: Series) -> Round:
    return Round(found, found.plan.site.groups[0], BOUT)


MEMBERS = ("CS-1.high", "CS-2.high", "CS-3.high")
POLLED = (*MEMBERS, "EXTRACT.on", "CALL.on")


def outcome(found: Series, kind: str, effect: str | None = None) -> str:
    criterion = next(c for c in PLAN.criteria if c.bout == BOUT.bout and c.kind == kind and c.effect == effect)
    return judge_vote(found, criterion).outcome


def acted(t_s: float, effect: str) -> list[Event]:
    mark = MarkMade(
        t_s=t_s + 0.3,
        wall=WALL,
        mark_id=f"{effect}{t_s}",
        post="P",
        witness="W",
        signal=f"{effect}.on",
        on=True,
        u_s=0.1,
    )
    return [status(t_s, f"{effect}.on"), mark]


def cleared() -> list[Event]:
    return [status(170.0, "CS-1.high", False), status(171.0, "CS-2.high", False)]


def test_the_vote_stands_with_the_second_member_and_the_order_is_told() -> None:
    one = round_of(series(status(45.0, "CS-1.high"), status(105.0, "CS-2.high"), polled=POLLED))
    assert one.stood is not None
    assert one.stood.t_s == pytest.approx(104.5), "between the two polls"
    assert one.first_up == "CS-1.high, CS-2.high"


def test_an_order_that_two_polls_do_not_tell_is_not_told() -> None:
    one = round_of(series(status(105.0, "CS-2.high"), status(105.0, "CS-1.high"), polled=POLLED))
    assert one.first_up == "CS-1.high and CS-2.high"


@pytest.mark.parametrize(("clear_s", "stands"), [(90.0, False), (None, True)])
def test_a_member_that_cleared_before_the_other_came_gives_no_vote(clear_s: float | None, stands: bool) -> None:
    gone = [] if clear_s is None else [status(clear_s, "CS-1.high", False)]
    one = round_of(series(status(45.0, "CS-1.high"), *gone, status(105.0, "CS-2.high"), polled=POLLED))
    assert (one.stood is not None) is stands


def test_a_fault_counts_as_the_site_says() -> None:
    """`votes`: a fault and one alarm are two of three."""
    signals = (*POLLED, "CS-3.fault")
    one = round_of(series(status(30.0, "CS-3.fault"), status(45.0, "CS-1.high"), polled=signals))
    assert one.stood is not None
    assert one.stood.t_s == pytest.approx(44.5)
    assert one.first_up == "CS-1.high", "a fault is no alarm that came"


def test_all_of_a_sound_round_passes() -> None:
    effects = [*acted(107.0, "EXTRACT"), *acted(108.0, "CALL")]
    off = [
        *(status(172.0, f"{effect}.on", False) for effect in ("EXTRACT", "CALL")),
        *(
            MarkMade(
                t_s=172.4, wall=WALL, mark_id=f"{e}off", post="P", witness="W", signal=f"{e}.on", on=False, u_s=0.1
            )
            for e in ("EXTRACT", "CALL")
        ),
    ]
    found = series(status(45.0, "CS-1.high"), status(105.0, "CS-2.high"), *effects, *cleared(), *off, polled=POLLED)
    assert [
        outcome(found, kind, e) for kind, e in (("vote-quiet", None), ("vote-acts", "EXTRACT"), ("vote-acts", "CALL"))
    ] == ["pass"] * 3
    assert outcome(found, "vote-clears") == "pass"


def test_an_effect_between_the_two_members_is_too_early() -> None:
    found = series(status(45.0, "CS-1.high"), *acted(47.0, "EXTRACT"), status(105.0, "CS-2.high"), polled=POLLED)
    assert outcome(found, "vote-quiet") == "fail"
    assert outcome(found, "vote-acts", "EXTRACT") == "not tested"


def test_an_effect_in_the_same_poll_as_the_vote_is_not_too_early() -> None:
    found = series(status(45.0, "CS-1.high"), status(105.0, "CS-2.high"), *acted(105.0, "EXTRACT"), polled=POLLED)
    assert outcome(found, "vote-quiet") == "pass"
    assert outcome(found, "vote-acts", "EXTRACT") == "pass"


def test_a_hold_that_was_too_short_proves_nothing() -> None:
    found = series(status(95.0, "CS-1.high"), status(100.0, "CS-2.high"), polled=POLLED)
    assert outcome(found, "vote-quiet") == "inconclusive"


def test_where_nobody_watched_nothing_is_proven() -> None:
    found = series(status(45.0, "CS-1.high"), status(105.0, "CS-2.high"), polled=MEMBERS)
    assert outcome(found, "vote-quiet") == "not tested"
    assert outcome(found, "vote-acts", "EXTRACT") == "not tested"


def test_enough_members_and_no_effect_falls_short() -> None:
    found = series(status(45.0, "CS-1.high"), status(105.0, "CS-2.high"), polled=POLLED)
    assert outcome(found, "vote-acts", "EXTRACT") == "fail"


def test_a_member_that_did_not_come_leaves_the_vote_untried() -> None:
    found = series(status(45.0, "CS-1.high"), polled=POLLED)
    assert outcome(found, "vote-quiet") == "inconclusive"
    assert outcome(found, "vote-acts", "EXTRACT") == "inconclusive"


def test_a_member_that_stood_before_is_no_trial() -> None:
    found = series(status(5.0, "CS-3.high"), status(45.0, "CS-1.high"), polled=POLLED)
    assert outcome(found, "vote-quiet") == "not tested"


def test_an_effect_that_goes_on_after_all_have_cleared_falls_short() -> None:
    effects = [*acted(107.0, "EXTRACT"), *acted(108.0, "CALL")]
    found = series(status(45.0, "CS-1.high"), status(105.0, "CS-2.high"), *effects, *cleared(), polled=POLLED)
    assert outcome(found, "vote-clears") == "fail"
