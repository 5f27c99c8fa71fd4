"""Times read off a trace without a model."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from gaswitness.response.read import nearest_rising


@given(st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=80))
@settings(deadline=None)  # the first case waits for SciPy
def test_nearest_rising_curve_is_that_of_scipy(values: list[float]) -> None:
    from scipy.optimize import isotonic_regression

    np.testing.assert_allclose(nearest_rising(np.array(values)), isotonic_regression(values).x, rtol=1e-9, atol=1e-9)
