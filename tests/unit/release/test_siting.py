"""Choosing places: exact against trying everything, greedy within its guarantee."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from gaswitness.errors import InputError
from gaswitness.release.siting import choose_places


@pytest.mark.parametrize("seed", range(6))
def test_the_best_is_the_best_of_all(seed: int) -> None:
    rng = np.random.default_rng(seed)
    seen, weights = rng.random((60, 8)) < 0.2, rng.integers(1, 50, 60)
    found = choose_places(seen, 3, weights=weights)
    share = weights / weights.sum()
    tried = max(share[seen[:, list(three)].any(axis=1)].sum() for three in itertools.combinations(range(8), 3))
    assert found.best.covered == pytest.approx(tried, abs=1e-9)
    assert len(found.best.places) <= 3
    assert found.greedy.covered >= (1.0 - 1.0 / math.e) * found.best.covered
    assert found.greedy.covered <= found.best.covered + 1e-12
    assert found.all_covered >= found.best.covered


def test_where_greedy_is_not_the_best() -> None:
    """The middle place sees most at first, but the two outer ones together see all."""
    seen = np.array([[1, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 1], [0, 1, 1], [0, 0, 1], [0, 1, 0]], bool)
    weights = [2, 2, 3, 3, 1, 4, 0.1]
    found = choose_places(seen, 2, weights=weights)
    assert found.best.places == (0, 2)


@pytest.mark.parametrize(
    ("seen", "number", "weights"),
    [([], 1, None), ([[1]], 0, None), ([[1]], 1, [1, 2]), ([[1]], 1, [-1]), ([[1]], 1, [0])],
)
def test_what_cannot_be_chosen(seen: list[list[int]], number: int, weights: list[float] | None) -> None:
    with pytest.raises(InputError):
        choose_places(np.array(seen).reshape(len(seen), 1), number, weights=weights)
