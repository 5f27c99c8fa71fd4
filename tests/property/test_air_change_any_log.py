"""Whatever a log holds, the analysis answers or refuses; it never breaks and never gives a number that is not one."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from gaswitness.release.decay import air_change

numbers = st.one_of(st.floats(-1e9, 1e9), st.floats(allow_nan=True, allow_infinity=True), st.integers(0, 3).map(float))


@settings(max_examples=300, deadline=None)
@example([1e308 * math.exp(-i / 10) for i in range(20)], [60.0] * 20, None, None, None)
@example([1e-300 * math.exp(-i / 10) for i in range(20)], [60.0] * 20, None, None, None)
@example([math.exp(-i / 10) for i in range(20)], [1e300] * 20, None, None, None)
@example([0.0, -1.0, 0.0, 5e-324], [0.0, 0.0, 0.0, 1.0], None, None, None)
@example([0.0] * 4, [5e-324, 1.0, 1.0, 1.0], None, None, None)
@given(
    st.lists(numbers, max_size=60),
    st.lists(st.floats(0.0, 1e5), max_size=60),
    st.one_of(st.none(), st.floats(0.0, 5000.0)),
    st.one_of(st.none(), st.floats(-10.0, 1e6)),
    st.one_of(st.none(), st.floats(-10.0, 1e6)),
)
def test_it_answers_or_refuses(
    values: list[float], steps: list[float], background: float | None, from_s: float | None, to_s: float | None
) -> None:
    count = min(len(values), len(steps))
    found = air_change(np.cumsum(steps[:count]), values[:count], background_ppm=background, from_s=from_s, to_s=to_s)
    if found.refused:
        assert math.isnan(found.per_hour)
        assert found.flags
    else:
        assert found.per_hour > 0.0
        assert found.u_per_hour >= 0.0


@settings(max_examples=60, deadline=None)
@given(
    st.floats(0.3, 12.0),
    st.floats(900.0, 20_000.0),
    st.floats(350.0, 480.0),
    st.floats(0.0, 1.0),
    st.integers(0, 2**32 - 1),
)
def test_a_clean_decay_is_found(n: float, start: float, background: float, noise: float, seed: int) -> None:
    """Within four standard uncertainties and a thousandth, whatever rate, level, background and noise."""
    t_s = np.arange(0.0, 4.0 * 3600.0 / n, 3600.0 / n / 60.0)
    clean = background + (start - background) * np.exp(-n * t_s / 3600.0)
    readings = clean + np.random.default_rng(seed).normal(0.0, 1.0, len(t_s)) * noise * 0.005 * (start - background)
    found = air_change(t_s, readings, from_s=0.0, to_s=float(t_s[-1]))
    assert not found.refused
    assert abs(found.per_hour - n) <= 4.0 * found.u_per_hour + 1e-3 * n
