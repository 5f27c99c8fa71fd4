"""Whatever the gas, the unit, the temperature and the pressure, there and back gives the same number."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from gaswitness.gases import all_gases
from gaswitness.units import MASS_SCALES, SCALES, convert

UNITS = [*SCALES["fraction"], *MASS_SCALES, "%LFL"]
air = st.fixed_dictionaries(
    {
        "gas": st.sampled_from(sorted(all_gases())),
        "temperature_k": st.floats(200.0, 400.0),
        "pressure_pa": st.floats(3e4, 2e5),
        "lfl_ppm": st.floats(1e3, 3e5),
    }
)


@given(st.floats(1e-6, 1e6), st.sampled_from(UNITS), st.sampled_from(UNITS), air)
def test_there_and_back(value: float, first: str, second: str, given_air: dict[str, float]) -> None:
    there = convert(value, first, second, **given_air)  # type: ignore[arg-type]
    back = convert(there, second, first, **given_air)  # type: ignore[arg-type]
    assert abs(back - value) <= 4e-15 * value


@given(st.lists(st.floats(0.0, 1e6), min_size=1, max_size=20), st.sampled_from(UNITS), st.sampled_from(UNITS), air)
def test_an_array_is_converted_like_each_number(
    values: list[float], first: str, second: str, given_air: dict[str, float]
) -> None:
    array = convert(np.array(values), first, second, **given_air)  # type: ignore[arg-type]
    assert array.tolist() == [convert(value, first, second, **given_air) for value in values]  # type: ignore[arg-type]
