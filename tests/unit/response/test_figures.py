"""Figures of simulated exposures with a known truth: what is quoted lies within what is said of it."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from gaswitness.errors import InputError
from gaswitness.response import ResponseFigures, SensorPath, response_figures, step_curve
from gaswitness.response.settle import settled

Floats = NDArray[np.float64]

ON_S, DEAD_S, ROOM, BOTTLE = 120.0, 6.0, 400.0, 1000.0
QUICK, SLOW = (15.0, 3.0), (40.0, 15.0)


def t90(lags: tuple[float, ...]) -> float:
    return SensorPath(DEAD_S, lags).time_to_fraction_s(0.9)


def exposure(
    seed: int, lags: tuple[float, ...], parts: float, *, every_s: float = 1.0, noise: float = 3.0, late: float = 0.0
) -> tuple[Floats, Floats]:
    """Gas for so many times t90 and the way back; a part of the answer may come late, four times as slowly."""
    rng = np.random.default_rng(seed)
    off_s = ON_S + parts * t90(lags)
    t = np.arange(0.0, off_s + 5.0 * t90(lags), every_s) + rng.uniform(0.0, every_s)

    def answer(*taus: float) -> Floats:
        path = SensorPath(DEAD_S, taus)
        return step_curve(path, t, gas_on_s=ON_S, gas_off_s=off_s, room_ppm=ROOM, bottle_ppm=BOTTLE)

    clean = (1.0 - late) * answer(*lags) + late * answer(4.0 * sum(lags))
    return t, clean + rng.normal(0.0, noise, t.size)


def outside(
    values: Callable[[ResponseFigures], tuple[float, float]], truth: float, told: list[ResponseFigures]
) -> float:
    """Share of the answers that are further from the truth than twice their uncertainty; none may lack one."""
    found = [values(one) for one in told]
    found = [(value, u) for value, u in found if math.isfinite(value)]
    assert len(found) >= 0.6 * len(told)
    assert all(u > 0.0 for _, u in found)
    return float(np.mean([abs(value - truth) > 2.0 * u for value, u in found]))


@pytest.mark.parametrize("lags", [QUICK, SLOW])
def test_a_plateau_that_may_just_be_called_settled_holds_what_is_still_to_come(lags: tuple[float, ...]) -> None:
    told = []
    for seed in range(12):
        t, y = exposure(seed, lags, 2.2)
        told.append(response_figures(t, y, gas_on_s=ON_S, gas_off_s=ON_S + 2.2 * t90(lags)))
    assert sum(one.settled for one in told) >= 6
    assert outside(lambda one: (one.plateau.value, one.plateau.u), BOTTLE, told) <= 0.25


def test_the_move_of_a_settled_reading_is_in_its_uncertainty() -> None:
    t = np.arange(0.0, 100.0)
    rest = settled(t, 1000.0 * (1.0 - np.exp(-t / 19.0)), 0.0, 0.0, 99.0)
    assert rest.settled
    assert abs(rest.plateau - 1000.0) < 2.0 * rest.u_plateau
    noise = np.random.default_rng(1).normal(0.0, 2.0, (400, 100))
    still = [settled(t, 1000.0 + row, 0.0, 0.0, 99.0).u_plateau for row in noise]
    assert np.median(still) == pytest.approx(2.0 / 5.0, rel=0.3)  # noise alone is not taken for a move


@pytest.mark.parametrize("lags", [QUICK, SLOW])
@pytest.mark.parametrize("parts", [0.6, 1.0, 2.0, 4.0])
@pytest.mark.parametrize("every_s", [1.0, 5.0])
def test_times_from_instants_that_were_found(lags: tuple[float, ...], parts: float, every_s: float) -> None:
    told = [response_figures(*exposure(seed, lags, parts, every_s=every_s)) for seed in range(10)]
    half = SensorPath(0.0, lags).time_to_fraction_s(0.5)
    assert all(one.gas_on_found and one.gas_off_found for one in told)
    assert outside(lambda one: (one.t50.value, one.t50.u), half, told) <= 0.4
    assert outside(lambda one: (one.t90.value, one.t90.u), t90(lags) - DEAD_S, told) <= 0.3


@pytest.mark.parametrize("lags", [QUICK, SLOW])
@pytest.mark.parametrize("every_s", [1.0, 5.0])
def test_gas_that_was_shut_on_the_way_up_is_found_at_the_turn(lags: tuple[float, ...], every_s: float) -> None:
    for seed in range(6):
        t, y = exposure(seed, lags, 0.6, every_s=every_s)
        got = response_figures(t, y)
        turns_s = ON_S + 0.6 * t90(lags) + DEAD_S
        # behind two lags a reading goes on rising for a while of the order of the quicker one
        assert -every_s < got.gas_off_s - turns_s < lags[1] + every_s


def test_a_plateau_with_a_hump_ends_where_it_falls() -> None:
    t = np.arange(0.0, 1200.0, 2.0)
    y = np.where(t < 100.0, 400.0, 1000.0 + 120.0 * np.exp(-((t - 150.0).clip(0) / 60.0)))
    y = np.where(t > 900.0, 400.0 + 600.0 * np.exp(-(t - 900.0) / 15.0), y)
    got = response_figures(t, y + np.random.default_rng(3).normal(0.0, 2.0, t.size))
    assert got.gas_off_s == pytest.approx(900.0, abs=4.0)


@pytest.mark.parametrize("parts", [1.0, 2.0])
def test_what_is_foreseen_allows_for_a_part_that_comes_late(parts: float) -> None:
    told = []
    for seed in range(12):
        t, y = exposure(seed, SLOW, parts, late=0.1)
        told.append(response_figures(t, y, gas_on_s=ON_S, gas_off_s=ON_S + parts * t90(SLOW)))
    foreseen = [one for one in told if one.extrapolated]
    if parts == 1.0:
        assert outside(lambda one: (one.plateau.value, one.plateau.u), BOTTLE, foreseen) <= 0.25
    assert all(one.plateau.u > 2.0 * one.fit.u_plateau for one in foreseen if one.fit is not None)


def test_a_reading_that_settled_owes_little_to_what_may_come_late() -> None:
    t, y = exposure(4, QUICK, 12.0)
    got = response_figures(t, y, gas_on_s=ON_S, gas_off_s=ON_S + 12.0 * t90(QUICK))
    assert got.fit is not None
    assert got.t90.u < 1.5 * got.fit.u_t90_s


def test_rows_that_come_twice_change_nothing() -> None:
    t, y = exposure(2, QUICK, 5.0)
    once, again = response_figures(t, y), response_figures(np.repeat(t, 2), np.repeat(y, 2))
    assert again.document() == once.document()
    mixed = response_figures(np.repeat(t, 2), np.column_stack([y - 1.0, y + 1.0]).ravel())
    assert mixed.t90 == once.t90


def test_no_figure_without_an_uncertainty() -> None:
    """Records with so few readings on gas that some of their figures cannot be known."""
    for every_s in (5.0, 15.0, 30.0):
        for resolution in (0.0, 20.0, 100.0):
            for seed in range(12):
                t, y = exposure(seed, QUICK, 1.0 + 0.25 * seed, every_s=every_s, noise=1.0)
                y = np.round(y / resolution) * resolution if resolution else y
                for given in ({}, {"gas_on_s": ON_S}, {"gas_on_s": float(t[0]) - 3.0}):
                    document = response_figures(t, y, **given).document()
                    for name in ("zero", "plateau", "t50_s", "t90_s", "t10_s", "dead_time_s"):
                        value, u = document[name]["value"], document[name]["u"]
                        assert (value is None) == (u is None), (name, value, u)
                        assert u is None or u > 0.0, (name, value, u)


@pytest.mark.parametrize("wrong_s", [20.0, 290.0])
def test_a_gas_on_that_comes_after_the_movement_is_told(wrong_s: float) -> None:
    """As with a clock that is slow: what is counted from there is short by as much."""
    t, y = exposure(6, SLOW, 6.0)
    right = response_figures(t, y, gas_on_s=ON_S)
    assert "moved-before-gas" not in right.flags
    got = response_figures(t, y, gas_on_s=ON_S + DEAD_S + wrong_s)
    assert "moved-before-gas" in got.flags
    assert math.isnan(got.t90.value) or abs(got.t90.value - t90(SLOW)) < 2.0 * got.t90.u
    early = response_figures(t, y, gas_on_s=ON_S - 50.0)
    assert "moved-before-gas" not in early.flags
    assert early.dead_time_s.value == pytest.approx(DEAD_S + 50.0, abs=3.0)


def test_a_gas_off_alone_names_the_exposure_it_ended() -> None:
    t, y = exposure(7, QUICK, 5.0)
    off_s, again_s = ON_S + 5.0 * t90(QUICK), float(t[-1]) + 1.0
    t, y = np.concatenate([t, t + again_s]), np.concatenate([y, 1.5 * (y - ROOM) + ROOM])
    got = response_figures(t, y, gas_off_s=off_s)
    assert got.gas_on_s == pytest.approx(ON_S + DEAD_S, abs=3.0)
    assert got.plateau.value == pytest.approx(BOTTLE, abs=5.0)
    open_end = response_figures(t, y, gas_off_s=float(t[-1]) + 60.0)
    assert open_end.gas_on_s > again_s
    assert math.isnan(open_end.t10.value)
    between = response_figures(t, y, gas_off_s=again_s + 60.0)
    assert between.gas_on_s < again_s
    with pytest.raises(InputError, match="before anything moves"):
        response_figures(t, y, gas_off_s=60.0)
    with pytest.raises(InputError, match="before the record"):
        response_figures(t, y, gas_off_s=-5.0)


def test_a_reading_that_never_changes_has_no_known_uncertainty() -> None:
    document = response_figures(np.arange(60.0), np.full(60, 20.0)).document()
    assert document["zero"] == {"value": 20.0, "u": None}


def test_a_reading_still_on_its_way_to_the_gas_has_no_span_error() -> None:
    """No model follows a reading that rises ever faster, so no plateau is foreseen; that it is low says nothing."""
    t = np.arange(0.0, 400.0)
    up = 1.0 - np.exp(-(((t - ON_S).clip(0) / 150.0) ** 2))
    noise = np.random.default_rng(5).normal(0.0, 2.0, t.size)
    short = response_figures(t[t < 240.0], (ROOM + 600.0 * up + noise)[t < 240.0], gas_on_s=ON_S, gas_ppm=BOTTLE)
    assert "not-settled" in short.flags
    assert not short.extrapolated
    assert "span-error" not in short.flags
    above = response_figures(t[t < 240.0], (ROOM + 600.0 * up + noise)[t < 240.0], gas_on_s=ON_S, gas_ppm=300.0)
    assert "span-error" in above.flags  # already beyond the gas
