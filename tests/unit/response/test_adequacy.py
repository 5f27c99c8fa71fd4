"""The test of residuals: quiet where the model holds, behind any display; awake where it does not."""

from __future__ import annotations

import numpy as np
import pytest

from gaswitness.response.adequacy import neighbours
from gaswitness.response.adequacy_study import DISPLAYS, FAILS, HOLDS, tell

AIR = np.arange(300) < 60


@pytest.mark.parametrize("display", DISPLAYS, ids=lambda display: display.name)
def test_a_model_that_holds_is_seldom_doubted(display) -> None:
    """One in twenty at the most: 3 of 30 or more have a chance of 1 in 5 at 5 %, so 4 are let pass."""
    assert tell(HOLDS[0], display, 30, seed=4).inadequate <= 4 / 30


def test_noise_that_hangs_together_is_no_misfit() -> None:
    assert tell(HOLDS[1], DISPLAYS[0], 30, seed=4).inadequate <= 4 / 30


@pytest.mark.parametrize("display", [DISPLAYS[0], DISPLAYS[1], DISPLAYS[4]], ids=lambda display: display.name)
def test_one_lag_too_few_is_seen_behind_a_coarse_display_too(display) -> None:
    assert tell(FAILS[0], display, 12, seed=4).inadequate > 0.8


def test_a_display_that_hides_a_misfit_is_said() -> None:
    told = tell(HOLDS[0], DISPLAYS[3], 12, seed=4)
    assert told.unproven > 0.6
    assert tell(HOLDS[0], DISPLAYS[0], 12, seed=4).unproven == 0.0


def test_white_residuals_seldom_pass_the_limit() -> None:
    """The largest of three sums: 5 % of a unit normal lie above 1.645, so up to 15 % of the largest."""
    rng = np.random.default_rng(2)
    none, worth = np.zeros(300, dtype=bool), np.ones(300)
    z = np.array([neighbours(rng.normal(size=300), worth, none).z for _ in range(400)])
    assert 0.03 < np.mean(z > 1.645) < 0.15


def test_a_misfit_of_the_size_named_is_seen_in_most() -> None:
    rng = np.random.default_rng(2)
    wave = np.sin(np.arange(300) / 25.0) * ~AIR * np.sqrt(2.0)
    seen = []
    for _ in range(100):
        noise = rng.normal(size=300)
        smallest = neighbours(noise, np.ones(300), AIR).smallest
        seen.append(neighbours(smallest * wave + noise, np.ones(300), AIR).z > 1.645)
    assert np.mean(seen) > 0.85


def test_what_air_does_too_is_not_held_against_the_model() -> None:
    wave = np.sin(np.arange(300) / 5.0)
    assert neighbours(wave, np.ones(300), AIR).z < 1.0
    assert neighbours(wave * ~AIR, np.ones(300), AIR).z > 5.0
    assert neighbours(np.zeros(3), np.ones(3), np.ones(3, dtype=bool)).z == 0.0
