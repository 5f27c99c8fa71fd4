"""Faults of a detector: what tells, when it is told, and when it goes."""

from __future__ import annotations

import math

import pytest

from gaswitness.alarms.fault import FaultLogic, FaultState, level_of_current, loop_state
from gaswitness.errors import OutOfDomain

nan = math.nan


@pytest.mark.parametrize(
    ("current_ma", "state"),
    [
        # NAMUR NE 43: reading 3.8 to 20.5 mA, failure <= 3.6 or >= 21 mA; the bands between say nothing
        (0.0, "failure-low"),
        (3.6, "failure-low"),
        (3.6000001, "uncertain-low"),
        (3.7999999, "uncertain-low"),
        (3.8, "measuring"),
        (20.5, "measuring"),
        (20.5000001, "uncertain-high"),
        (20.9999999, "uncertain-high"),
        (21.0, "failure-high"),
        (nan, "unknown"),
    ],
)
def test_bands_of_a_current_loop(current_ma: float, state: str) -> None:
    assert loop_state(current_ma) == state


@pytest.mark.parametrize(
    ("current_ma", "share"), [(4.0, 0.0), (12.08, 50.5), (20.0, 100.0), (3.8, -1.25), (20.5, 103.125)]
)
def test_level_of_current(current_ma: float, share: float) -> None:
    # (I - 4) / 16 x span: (12.08 - 4) / 16 x 100 = 50.5; (3.8 - 4) / 16 x 100 = -1.25
    assert level_of_current(current_ma, 0.0, 100.0) == pytest.approx(share, abs=1e-9)


def walk(logic: FaultLogic, rows: list[tuple[float, dict[str, object], str]]) -> None:
    state = FaultState()
    for t_s, given, reasons in rows:
        before = state.reasons
        state, edges = logic.step(state, t_s, **given)  # type: ignore[arg-type]
        assert " ".join(state.reasons) == reasons, f"at {t_s} s"
        kinds = [] if before == state.reasons else ["set" if state.on else "clear"]
        assert [edge.kind for edge in edges] == kinds


def test_loop_and_range() -> None:
    walk(
        FaultLogic(0.0, 100.0, margin=5.0),
        [
            (0, {"current_ma": 12.0}, ""),
            (1, {"current_ma": 3.6}, "loop-low"),
            (2, {"current_ma": 3.7}, ""),  # -1.875: under 4 mA, within the margin
            (3, {"current_ma": 21.5}, "loop-high"),
            (4, {"current_ma": 20.9}, "over-range"),  # 105.6 > 100 + 5
            (5, {"current_ma": 20.0}, ""),
            (6, {"value": -5.1}, "under-range"),
            (7, {}, "under-range"),  # no reading was due: nothing new
            (8, {"value": -5.0}, ""),
        ],
    )


def test_nothing_read_yet_and_readings_that_do_not_come() -> None:
    walk(
        FaultLogic(0.0, 100.0),
        [(0, {}, "no-reading"), (1, {"value": 3.0}, ""), (2, {"value": nan}, "no-reading"), (3, {"value": 4.0}, "")],
    )


def test_stale_by_age_of_the_source() -> None:
    walk(
        FaultLogic(0.0, 100.0, stale_s=10.0),
        [
            (0, {"value": 1.0}, ""),
            (10, {}, ""),
            (10.5, {}, "stale"),
            (11, {"value": 1.0, "source_age_s": 10.8}, "stale"),  # it came, but was true 10.8 s ago
            (12, {"value": 1.0}, ""),
        ],
    )


def test_communication_speaks_for_all_else() -> None:
    walk(
        FaultLogic(0.0, 100.0, stale_s=5.0),
        [
            (0, {"value": 1.0}, ""),
            (1, {"communicating": False}, "communication"),
            (20, {}, "stale"),
            (21, {"value": 1.0}, ""),
        ],
    )


def test_told_after_its_delay() -> None:
    walk(
        FaultLogic(0.0, 100.0, delay_s=3.0),
        [
            (0, {"value": 500.0}, ""),
            (2, {"value": 50.0}, ""),
            (3, {"value": 500.0}, ""),
            (5.9, {"value": 500.0}, ""),
            (6, {"value": 500.0}, "over-range"),
            (7, {"current_ma": 2.0}, "loop-low"),
            (8, {"current_ma": 12.0}, ""),
        ],
    )


@pytest.mark.parametrize("wrong", [{"range_low": 100.0}, {"margin": -1.0}, {"delay_s": nan}, {"stale_s": 0.0}])
def test_logic_that_makes_no_sense_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(OutOfDomain):
        FaultLogic(**{"range_low": 0.0, "range_high": 100.0, **wrong})
