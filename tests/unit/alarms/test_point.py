"""The alarm point against tables worked by hand; the arithmetic stands beside each row."""

from __future__ import annotations

import math

import pytest

from gaswitness.alarms import AlarmPoint, PointState, replay
from gaswitness.errors import InputError, OutOfDomain

Row = tuple[float, float, str]
"""Time [s], reading, and the edge expected there, empty where none."""


def walk(point: AlarmPoint, rows: list[Row]) -> None:
    """Step through a table; the replay over the same rows must agree."""
    state = point.start()
    told = []
    for t_s, value, _ in rows:
        state, edges = point.step(state, t_s, value)
        told.append(" ".join(edge.kind for edge in edges))
    assert told == [kind for _, _, kind in rows]
    replayed = replay([t for t, _, _ in rows], [v for _, v, _ in rows], [point])
    assert [edge.kind for edge in replayed] == [kind for kind in " ".join(told).split() if kind]


def test_rising_with_deadband() -> None:
    # set 2000, deadband 20 % of set = 400: clears strictly below 2000 - 400 = 1600
    walk(
        AlarmPoint("low", 2000.0, deadband=400.0),
        [
            (0, 1999.9, ""),  # below the set level
            (1, 2000.0, "set"),  # on it is enough
            (2, 1999.0, ""),  # inside the deadband it stands
            (3, 1600.0, ""),  # on the clear level it still stands
            (4, 1599.9, "clear"),  # beyond it, it clears
            (5, 1999.0, ""),  # inside the deadband it stays clear
            (6, 2000.1, "set"),
        ],
    )


def test_rising_without_deadband() -> None:
    walk(AlarmPoint("low", 100.0), [(0, 100.0, "set"), (1, 100.0, ""), (2, 99.999, "clear"), (3, 100.0, "set")])


def test_falling_oxygen() -> None:
    # 19.5 %vol falling with 0.4 %vol deadband: sets at <= 195 000 ppm, clears strictly above 199 000 ppm
    walk(
        AlarmPoint("low", 195_000.0, "falling", deadband=4_000.0),
        [
            (0, 209_000.0, ""),
            (1, 195_001.0, ""),
            (2, 195_000.0, "set"),
            (3, 180_000.0, ""),
            (4, 199_000.0, ""),
            (5, 199_001.0, "clear"),
        ],
    )


def test_on_delay_counts_time_not_samples() -> None:
    # on-delay 10 s: the condition stands from 3 s; 12 - 3 = 9 is too short, 13.5 - 3 = 10.5 is enough
    walk(
        AlarmPoint("high", 100.0, on_delay_s=10.0),
        [(0, 0.0, ""), (3, 150.0, ""), (4, 120.0, ""), (12, 101.0, ""), (13.5, 100.0, "set")],
    )


def test_on_delay_starts_anew_after_a_break() -> None:
    # the reading is below the level at 8 s, so the count begins again at 9 s: 19 - 9 = 10
    walk(
        AlarmPoint("high", 100.0, deadband=50.0, on_delay_s=10.0),
        [(0, 150.0, ""), (8, 99.0, ""), (9, 150.0, ""), (12, 150.0, ""), (18.9, 150.0, ""), (19, 150.0, "set")],
    )


def test_off_delay() -> None:
    # set 100, deadband 10, off-delay 5 s: below 90 from 2 s; 95 at 4 s is inside the deadband and breaks it;
    # below 90 again from 5 s: 10 - 5 = 5 is enough
    walk(
        AlarmPoint("high", 100.0, deadband=10.0, off_delay_s=5.0),
        [(0, 100.0, "set"), (2, 80.0, ""), (4, 95.0, ""), (5, 89.9, ""), (9.9, 0.0, ""), (10, 0.0, "clear")],
    )


def test_equal_stamps_are_samples_in_turn() -> None:
    walk(AlarmPoint("high", 100.0), [(1, 100.0, "set"), (1, 0.0, "clear"), (1, 200.0, "set")])


def test_nan_neither_sets_nor_clears_nor_breaks_a_delay() -> None:
    nan = math.nan
    walk(AlarmPoint("high", 100.0), [(0, nan, ""), (1, 100.0, "set"), (2, nan, ""), (3, nan, ""), (4, 0.0, "clear")])
    # on-delay 4 s from 1 s; at 5 s there is no sample to show it, at 6 s there is: 6 - 1 = 5
    walk(AlarmPoint("high", 100.0, on_delay_s=4.0), [(1, 100.0, ""), (3, nan, ""), (5, nan, ""), (6, 100.0, "set")])


def test_a_gap_longer_than_the_stale_time_starts_the_delay_anew() -> None:
    # on-delay 60 s, stale 30 s: 0 -> 100 s is a gap of 100 s: from 100 s; 130 - 100 = 30 is too short, 160 - 100 = 60
    rows: list[Row] = [(0, 150.0, ""), (100, 150.0, ""), (130, 150.0, ""), (160, 150.0, "set")]
    walk(AlarmPoint("high", 100.0, on_delay_s=60.0, stale_s=30.0), rows)
    # without a stale time the last reading holds: 100 - 0 = 100 is enough
    walk(AlarmPoint("high", 100.0, on_delay_s=60.0), [(0, 150.0, ""), (100, 150.0, "set")])


def test_over_range_is_a_reading() -> None:
    walk(AlarmPoint("high", 100.0), [(0, math.inf, "set"), (1, -math.inf, "clear")])


def test_latching_holds_until_reset_and_reset_needs_a_clear_condition() -> None:
    point = AlarmPoint("high", 100.0, deadband=10.0, latching=True)
    state, edges = point.step(point.start(), 0.0, 120.0)
    assert [e.kind for e in edges] == ["set"]
    state, edges = point.step(state, 1.0, 95.0, reset=True)  # inside the deadband: the condition stands
    assert (state.active, edges) == (True, ())
    state, edges = point.step(state, 2.0, 50.0)
    assert [e.kind for e in edges] == ["returned"]
    assert state.active
    state, edges = point.step(state, 3.0, 110.0)
    assert [e.kind for e in edges] == ["recurred"]
    state, _ = point.step(state, 4.0, 50.0)
    state, edges = point.step(state, 5.0, math.nan, reset=True)  # a press between readings
    assert [e.kind for e in edges] == ["clear"]
    assert not state.active
    assert point.step(state, 6.0, 50.0)[1] == ()


def test_a_reset_is_not_kept_for_later() -> None:
    point = AlarmPoint("high", 100.0, latching=True)
    state, _ = point.step(point.start(), 0.0, 120.0)
    state, _ = point.step(state, 1.0, 120.0, reset=True)
    state, _ = point.step(state, 2.0, 0.0)
    assert state.active


def test_states_of_isa_18_2() -> None:
    # ISA-18.2 / IEC 62682 (from memory: check the current text): the ways round the alarm states
    plain, latching = AlarmPoint("a", 100.0), AlarmPoint("b", 100.0, latching=True)

    def way(point: AlarmPoint, steps: list[tuple[float, dict[str, bool]]]) -> list[str]:
        state, seen = point.start(), []
        for t_s, (value, pressed) in enumerate(steps):
            state, _ = point.step(state, float(t_s), value, **pressed)
            seen.append(state.isa_state)
        return seen

    ack, reset = {"acknowledge": True}, {"reset": True}
    assert way(plain, [(0, {}), (100, {}), (100, ack), (0, {})]) == [
        "normal",
        "unacknowledged",
        "acknowledged",
        "normal",
    ]
    assert way(plain, [(100, {}), (0, {}), (100, {}), (0, {}), (0, ack)]) == [
        "unacknowledged",
        "returned to normal unacknowledged",
        "unacknowledged",
        "returned to normal unacknowledged",
        "normal",
    ]
    assert way(latching, [(100, {}), (0, {}), (0, reset), (0, ack)]) == [
        "unacknowledged",
        "latched unacknowledged",
        "returned to normal unacknowledged",
        "normal",
    ]
    assert way(latching, [(100, {}), (100, ack), (0, {}), (100, {}), (0, ack), (0, reset)]) == [
        "unacknowledged",
        "acknowledged",
        "latched acknowledged",
        "unacknowledged",
        "latched acknowledged",
        "normal",
    ]


def test_a_press_acts_on_what_stood_before_the_reading_that_comes_with_it() -> None:
    point = AlarmPoint("high", 100.0, latching=True)
    state, _ = point.step(point.start(), 0.0, 120.0)
    state, edges = point.step(state, 60.0, 0.0, reset=True)  # pressed while the last reading was still 120
    assert [e.kind for e in edges] == ["returned"]
    assert point.step(state, 61.0, 0.0, reset=True)[1][0].kind == "clear"
    again, edges = point.step(state, 61.0, 120.0, reset=True)  # reset, and in alarm again before anybody could see it
    assert ([e.kind for e in edges], again.active, again.latched) == (["recurred"], True, True)


def test_nobody_acknowledges_what_was_not_there_yet() -> None:
    point = AlarmPoint("a", 100.0)
    state, edges = point.step(point.start(), 0.0, 100.0, acknowledge=True)
    assert [e.kind for e in edges] == ["set"]
    assert state.isa_state == "unacknowledged"


def test_inhibit_holds_back_and_lifting_shows_what_still_stands() -> None:
    point = AlarmPoint("high", 100.0, latching=True)
    told = []
    state = point.start()
    for t_s, value, inhibited in [(0, 120, False), (1, 120, True), (2, 50, True), (3, 50, False)]:
        state, edges = point.step(state, t_s, value, inhibited=inhibited)
        told.append([e.kind for e in edges])
    assert told == [["set"], ["clear"], ["returned"], ["set"]]
    assert state.isa_state == "latched unacknowledged"


def test_an_alarm_that_came_and_went_while_inhibited_is_not_told() -> None:
    edges = replay([0, 1, 2, 3], [0, 150, 0, 0], [AlarmPoint("a", 100.0)], inhibits_s=[(0.5, 2.5)])
    assert len(edges) == 0
    assert edges.state.points[0].isa_state == "returned to normal unacknowledged"


@pytest.mark.parametrize(
    "wrong",
    [
        {"set_level": math.nan},
        {"set_level": math.inf},
        {"deadband": -1.0},
        {"on_delay_s": -0.1},
        {"off_delay_s": math.inf},
        {"stale_s": 0.0},
        {"stale_s": math.nan},
        {"direction": "up"},
    ],
)
def test_a_point_that_makes_no_sense_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(OutOfDomain, match="alarm point 'low'"):
        AlarmPoint(**{"name": "low", "set_level": 100.0, **wrong})  # type: ignore[arg-type]


def test_replay_refuses_what_does_not_fit() -> None:
    point = AlarmPoint("a", 1.0)
    with pytest.raises(InputError, match="do not match"):
        replay([0, 1], [1.0], [point])
    with pytest.raises(InputError, match="one name"):
        replay([0], [1.0], [point, point])
    with pytest.raises(InputError, match="other points"):
        replay([0], [1.0], [point], state=replay([], [], []).state)
    assert len(replay([], [], [point])) == 0
    assert replay([], [], [point]).state.points == (PointState(),)


def test_one_kind_of_edge_can_be_picked() -> None:
    edges = replay([0, 1, 2], [5.0, 0.0, 5.0], [AlarmPoint("a", 1.0)])
    assert edges.of("set").t_s.tolist() == [0.0, 2.0]
    assert edges.of("clear").value.tolist() == [0.0]


def test_a_press_on_the_last_sample_of_a_piece_is_not_taken_again_by_the_next() -> None:
    # reset at 1 s finds the condition standing and does nothing; at 2 s, in the next piece, the condition goes
    point = AlarmPoint("high", 100.0, latching=True)
    t_s, values, pressed = [0.0, 1.0, 2.0, 3.0], [120.0, 120.0, 0.0, 0.0], {"resets_s": [1.0]}
    first = replay(t_s[:2], values[:2], [point], **pressed)
    second = replay(t_s[2:], values[2:], [point], state=first.state, **pressed)
    assert [edge.kind for edge in second] == ["returned"]
    third = replay([2.0], [0.0], [point], state=replay([0.0, 2.0], [120.0, 0.0], [point]).state, resets_s=[2.0])
    assert third.state.points[0].active
