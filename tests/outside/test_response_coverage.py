"""A small seeded part of the coverage study: 95 % intervals against a known truth (JCGM 101:2008, by simulation)."""

from __future__ import annotations

import pytest
from scipy.stats import binom

from gaswitness.response.study import CASES, Case, cover

TRACES = 150
LEAST = int(binom.ppf(1e-4, TRACES, 0.93))
"""Fewer than this would happen once in 10,000 if the true coverage were 93 %."""


@pytest.mark.parametrize("case", [c for c in CASES if "10 sigma" not in c.name], ids=lambda case: case.name)
def test_intervals_hold_what_they_promise(case: Case) -> None:
    got = cover(case, TRACES, seed=42)
    assert got.plateau * TRACES >= LEAST
    assert got.t90 * TRACES >= LEAST
