"""Effects against tables worked by hand: any and all, delay, hold, silence, reset, inhibit, pattern."""

from __future__ import annotations

import pytest

from gaswitness.alarms.effects import CauseLine, EffectLogic
from gaswitness.errors import InputError, OutOfDomain

LOW, HIGH = "NH3-1.low", "NH3-1.high"


def walk(effect: EffectLogic, rows: list[tuple[float, str, str, bool, str]]) -> None:
    """Rows of time [s], causes that stand, what is pressed or inhibited, whether it is on after, and the edge."""
    state = effect.start()
    for t_s, standing, pressed, on, edge in rows:
        causes = {LOW: "low" in standing, HIGH: "high" in standing}
        state, edges = effect.step(
            state, t_s, causes, silence="silence" in pressed, reset="reset" in pressed, inhibited="inhibit" in pressed
        )
        assert (state.on, " ".join(e.kind for e in edges)) == (on, edge), f"at {t_s} s"


def test_any_and_all() -> None:
    any_of = EffectLogic("E", (CauseLine((LOW, HIGH)),))
    walk(
        any_of,
        [(0, "", "", False, ""), (1, "low", "", True, "on"), (2, "low high", "", True, ""), (3, "", "", False, "off")],
    )
    all_of = EffectLogic("E", (CauseLine((LOW, HIGH), need="all"),))
    walk(all_of, [(1, "low", "", False, ""), (2, "low high", "", True, "on"), (3, "high", "", False, "off")])
    two_lines = EffectLogic("E", (CauseLine((LOW,)), CauseLine((HIGH,))))
    walk(two_lines, [(1, "high", "", True, "on"), (2, "low", "", True, ""), (3, "", "", False, "off")])


def test_delay_must_be_called_for_without_a_break() -> None:
    # delay 5 s: called for from 0, broken at 3, again from 4: 9 - 4 = 5
    walk(
        EffectLogic("E", (CauseLine((LOW,)),), delay_s=5.0),
        [
            (0, "low", "", False, ""),
            (3, "", "", False, ""),
            (4, "low", "", False, ""),
            (8.9, "low", "", False, ""),
            (9, "low", "", True, "on"),
            (10, "", "", False, "off"),
        ],
    )


def test_hold_counts_from_the_start() -> None:
    # starts at 1 s, hold 10 s: at 10.9 it is 9.9 s old, at 11 it is 10 s old
    walk(
        EffectLogic("E", (CauseLine((LOW,)),), hold_s=10.0),
        [(1, "low", "", True, "on"), (2, "", "", True, ""), (10.9, "", "", True, ""), (11, "", "", False, "off")],
    )


def test_reset_only_once_the_causes_are_gone() -> None:
    walk(
        EffectLogic("E", (CauseLine((LOW,)),), needs_reset=True),
        [
            (1, "low", "", True, "on"),
            (2, "low", "reset", True, ""),
            (3, "", "", True, ""),
            (4, "", "reset", False, "off"),
            (5, "", "", False, ""),
        ],
    )


def test_reset_while_held_is_remembered_until_the_hold_is_over() -> None:
    walk(
        EffectLogic("E", (CauseLine((LOW,)),), needs_reset=True, hold_s=10.0),
        [(0, "low", "", True, "on"), (2, "", "reset", True, ""), (10, "", "", False, "off")],
    )
    walk(  # a cause that came back asks for a new reset
        EffectLogic("E", (CauseLine((LOW,)),), needs_reset=True, hold_s=10.0),
        [(0, "low", "", True, "on"), (2, "", "reset", True, ""), (3, "low", "", True, ""), (20, "", "", True, "")],
    )


def test_silence_lasts_until_a_new_cause() -> None:
    walk(
        EffectLogic("SND", (CauseLine((LOW, HIGH)),), silenceable=True),
        [
            (0, "", "silence", False, ""),  # nothing to silence
            (1, "low", "", True, "on"),
            (2, "low", "silence", False, "off"),
            (3, "low", "", False, ""),
            (4, "low high", "", True, "on"),  # a new alarm sounds again
            (5, "low high", "silence", False, "off"),
            (6, "low", "", False, ""),
            (7, "low high", "", True, "on"),  # the same one anew
            (8, "", "", False, "off"),
            (9, "low", "", True, "on"),  # silence does not outlast the effect
        ],
    )


def test_what_cannot_be_silenced_goes_on() -> None:
    walk(EffectLogic("LMP", (CauseLine((LOW,)),)), [(1, "low", "", True, "on"), (2, "low", "silence", True, "")])


def test_inhibited_is_off_and_lifting_shows_what_still_stands() -> None:
    walk(
        EffectLogic("FAN", (CauseLine((LOW,)),), delay_s=2.0),
        [
            (0, "low", "inhibit", False, ""),
            (2, "low", "inhibit", False, ""),  # the delay runs on underneath
            (3, "low", "", True, "on"),
            (4, "low", "inhibit", False, "off"),
            (5, "", "inhibit", False, ""),
            (6, "", "", False, ""),
        ],
    )


def test_pattern_of_the_first_line_that_is_met() -> None:
    lamp = EffectLogic("LMP", (CauseLine((HIGH,), pattern="flashing"), CauseLine((LOW,))), needs_reset=True)
    state = lamp.start()
    seen = []
    for t_s, (low, high) in enumerate([(True, False), (True, True), (True, False), (False, False)]):
        state, edges = lamp.step(state, float(t_s), {LOW: low, HIGH: high})
        seen.append((state.pattern, [(e.kind, e.pattern) for e in edges]))
    assert seen == [
        ("steady", [("on", "steady")]),
        ("flashing", [("pattern", "flashing")]),
        ("steady", [("pattern", "steady")]),
        ("steady", []),
    ]


def test_a_cause_that_nobody_tells_is_refused() -> None:
    effect = EffectLogic("E", (CauseLine((LOW, HIGH)),))
    with pytest.raises(InputError, match=r"NH3-1\.high"):
        effect.step(effect.start(), 0.0, {LOW: False})
    with pytest.raises(OutOfDomain, match="delay_s"):
        EffectLogic("E", (CauseLine((LOW,)),), delay_s=-1.0)
    with pytest.raises(InputError, match="without a cause"):
        EffectLogic("E", (CauseLine(()),))
