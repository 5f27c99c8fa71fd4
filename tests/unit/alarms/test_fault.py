"""What the current of a loop tells of its detector."""

from __future__ import annotations

import math

import pytest

from gaswitness.alarms.fault import level_of_current, loop_state

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
