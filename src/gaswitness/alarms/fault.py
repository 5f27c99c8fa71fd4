"""What the current of a 4-20 mA loop tells: a reading, a failure, or nothing for certain."""

from __future__ import annotations

import math
from typing import Literal

FAILURE_LOW_MA = 3.6
"""At or below it the current tells of a failure (NAMUR NE 43; some texts write `<`)."""
FAILURE_HIGH_MA = 21.0
"""At or above it the current tells of a failure (NAMUR NE 43; some texts write `>`)."""
MEASURING_MA = (3.8, 20.5)
"""Currents that tell of a reading (NAMUR NE 43); between here and failure nothing is said."""

LoopState = Literal["failure-low", "uncertain-low", "measuring", "uncertain-high", "failure-high", "unknown"]


def loop_state(current_ma: float) -> LoopState:
    """What a 4-20 mA current tells of its detector (NAMUR NE 43).

    >>> [loop_state(ma) for ma in (3.6, 3.7, 3.8, 20.5, 20.7, 21.0)]
    ['failure-low', 'uncertain-low', 'measuring', 'measuring', 'uncertain-high', 'failure-high']
    """
    if math.isnan(current_ma):
        return "unknown"
    if current_ma <= FAILURE_LOW_MA:
        return "failure-low"
    if current_ma < MEASURING_MA[0]:
        return "uncertain-low"
    if current_ma <= MEASURING_MA[1]:
        return "measuring"
    return "uncertain-high" if current_ma < FAILURE_HIGH_MA else "failure-high"


def level_of_current(current_ma: float, range_low: float, range_high: float) -> float:
    """Reading of a 4-20 mA loop: `low + (I - 4) / 16 x (high - low)`, I in mA, in the unit of the range.

    >>> round(level_of_current(12.08, 0.0, 100.0), 9)
    50.5
    """
    return range_low + (current_ma - 4.0) / 16.0 * (range_high - range_low)
