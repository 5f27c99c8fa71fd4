"""Probability of conformity and decision rules against published numbers."""

from __future__ import annotations

import pytest

from gaswitness.judge import decide
from gaswitness.judge.decide import p_within


@pytest.mark.parametrize(
    ("value", "u", "lower", "upper", "probability", "source"),
    [
        (509.7, 8.6, 490.0, None, 0.9890, "JCGM 106:2012, burst strength, printed 99 % (read in a retelling of it)"),
        (495.2, 8.6, 490.0, None, 0.7273, "same example, printed 73 % (read in a retelling of it)"),
        (-5.47, 0.05, None, -5.40, 0.9192, "JCGM 106:2012, breakdown voltage; inputs from memory"),
        (13.6, 1.8, 12.5, 16.3, 0.6626, "JCGM 106:2012, oil viscosity; inputs from memory, unsure"),
        (46.0, 1.0, 45.0, 55.0, 0.8413, "gas 50 ppm within 10 %: arithmetic on the normal table, Phi(1)"),
        (0.0, 1.0, 0.0, None, 0.5, "normal table"),
        (1.645, 1.0, 0.0, None, 0.9500, "normal table"),
        (1.96, 1.0, 0.0, None, 0.9750, "normal table"),
        (2.0, 1.0, 0.0, None, 0.9772, "normal table"),
        (3.0, 1.0, 0.0, None, 0.9987, "normal table"),
    ],
)
def test_published_probabilities(
    value: float, u: float, lower: float | None, upper: float | None, probability: float, source: str
) -> None:
    assert p_within(value, u, lower, upper) == pytest.approx(probability, abs=5e-5), source
    assert decide(value, u, lower, upper, "simple").p_conform == pytest.approx(probability, abs=5e-5)


def test_guard_band_of_one_expanded_uncertainty() -> None:
    """ILAC-G8:09/2019: guard band w = U accepts 47 to 53 of 45 to 55 when u = 1 (read in papers that quote it)."""
    inside = {value: decide(value, 1.0, 45.0, 55.0, "guarded").outcome for value in (46.99, 47.0, 53.0, 53.01)}
    assert list(inside.values()) == ["inconclusive", "pass", "pass", "inconclusive"]
    assert 1 - p_within(47.0, 1.0, 45.0, 55.0) < 0.025
