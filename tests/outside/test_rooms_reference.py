"""The room network against a general ODE solver, and against a recorded room.

co2_room_tracer: data (c) 2023 Amin Darbandi, github.com/AminDar/CO2-Sensors, MIT, reshaped.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from gaswitness.links.logfile import parse_instant, read_log
from gaswitness.release import Change, Flow, Leak, Network, Zone, exchange, exhaust, simulate
from gaswitness.release.decay import AirChange, air_change
from gaswitness.release.decay_fit import fit_decay

Floats = NDArray[np.float64]


def test_against_an_ode_solver() -> None:
    """Floor and upper layer, corridor; two leaks, one decaying; a fan that starts at 300 s: scipy DOP853, to 1e-8."""
    zones = (Zone("floor", 60.0), Zone("upper", 180.0), Zone("corridor", 90.0))
    calm = (
        *exchange("floor", "upper", 0.05),
        *exhaust("floor", 0.25, makeup="corridor"),
        Flow("outside", "corridor", 0.25),
    )
    rush = (*exchange("floor", "upper", 0.4), *exhaust("floor", 1.2), *exchange("upper", "corridor", 0.1))
    leaks = [Leak("floor", 3e-3, 20.0, 1500.0), Leak("upper", 4e-3, 0.0, decay_s=250.0, displaces=False)]
    t_s = np.array([0.0, 20.0, 100.0, 300.0, 600.0, 1500.0, 1800.0])
    course = simulate(Network(zones, calm), t_s, leaks=leaks, changes=[Change(300.0, rush)], outside_ppm=400.0)

    def slope(t: float, x: Floats, flows: tuple[Flow, ...], first_on: bool) -> Floats:
        names = ["floor", "upper", "corridor"]
        volume = np.array([60.0, 180.0, 90.0])
        rate = np.zeros(3)
        for flow in flows:
            carried = flow.flow_m3_s * (400e-6 if flow.source == "outside" else x[names.index(flow.source)])
            if flow.source != "outside":
                rate[names.index(flow.source)] -= carried
            if flow.target != "outside":
                rate[names.index(flow.target)] += carried
        if first_on:
            rate[0] += 3e-3 - 3e-3 * x[0]
        rate[1] += 4e-3 * np.exp(-t / 250.0)
        return rate / volume

    x = np.zeros(3)
    pieces = [
        (0.0, 20.0, calm, False),
        (20.0, 300.0, calm, True),
        (300.0, 1500.0, rush, True),
        (1500.0, 1800.0, rush, False),
    ]
    for begin, end, flows, on in pieces:
        asked = t_s[(t_s > begin) & (t_s <= end)]
        found = solve_ivp(slope, (begin, end), x, "DOP853", asked, args=(flows, on), rtol=1e-12, atol=1e-16)
        for level, time in zip(found.y.T, asked, strict=True):
            mine = course.ppm[t_s == time][0] * 1e-6
            assert mine == pytest.approx(level, rel=1e-8, abs=1e-14)
        x = found.y[:, -1]


def test_a_decaying_leak_that_displaces_is_near_the_ode() -> None:
    """Cut where it has fallen by 2 %: within 1e-4 of the solver although a fifth of the air is pushed out."""
    leak = Leak("room", 0.05, decay_s=200.0)
    course = simulate(Network((Zone("room", 50.0),), exhaust("room", 0.1)), [0.0, 50.0, 200.0, 1000.0], leaks=[leak])

    def slope(t: float, x: Floats) -> Floats:
        flow = 0.05 * np.exp(-t / 200.0)
        return (flow - (0.1 + flow) * x) / 50.0

    found = solve_ivp(slope, (0.0, 1000.0), [0.0], "DOP853", [50.0, 200.0, 1000.0], rtol=1e-11, atol=1e-15)
    assert course.of("room")[1:] * 1e-6 == pytest.approx(found.y[0], rel=1e-4)


@pytest.mark.parametrize("channel", ["s1", "s2"])
def test_the_second_half_of_a_recorded_decay(datasets: Path, channel: str) -> None:
    """Air changes fitted on the first half of the decay carry the model through the second half.

    The band is what the fit states: u of the rate and of the background, k = 2, plus the misfit of the first half.
    """
    trace = read_log(datasets / "co2_room_tracer" / "room_2024-10-07_s1_s2.csv").trace(channel)
    good = np.isfinite(trace.values) & (trace.t_s >= 3930.0)
    t_s, values = trace.t_s[good] - 3930.0, trace.values[good]
    half_s = float(t_s[-1]) / 2.0
    first = air_change(t_s, values, from_s=0.0, to_s=half_s)
    assert not first.refused
    room = Network((Zone("room", 100.0),), exhaust("room", first.per_hour * 100.0 / 3600.0))
    course = simulate(room, t_s, start_ppm=first.start_ppm - first.background_ppm)
    predicted = course.of("room") + first.background_ppm
    above = predicted - first.background_ppm
    shift = np.hypot(above * t_s / 3600.0 * first.u_per_hour, first.u_background_ppm)
    band = 2.0 * np.hypot(shift, first.rms_ppm)
    later = t_s > half_s
    off = np.abs(values - predicted)[later]
    assert (off <= band[later]).mean() >= 0.95
    assert off.max() < 0.08 * (values[0] - values[-1])


@pytest.mark.parametrize(("channel", "per_hour"), [("s1", 3.2), ("s2", 3.1)])
def test_the_same_room_explains_the_build_up(datasets: Path, channel: str, per_hour: float) -> None:
    """Constant injection for 65 min: the build-up goes at the rate of the decay, 3.2 and 3.1 per hour by a plain fit.

    And the first half of the injection carries the model through the second, within the misfit and the fitted levels.
    """
    trace = read_log(datasets / "co2_room_tracer" / "room_2024-10-07_s1_s2.csv").trace(channel)
    good = np.isfinite(trace.values) & (trace.t_s <= 3880.0)
    t_s, values = trace.t_s[good], trace.values[good]
    whole = fit_decay(t_s, values, None)
    assert 3600.0 * whole.n_per_s == pytest.approx(per_hour, abs=0.15)
    assert whole.amplitude < 0.0
    decay = air_change(trace.t_s, trace.values, from_s=3930.0)
    first = t_s <= t_s[-1] / 2.0
    shape = -np.expm1(-decay.per_hour / 3600.0 * t_s)
    zero, rise = np.linalg.lstsq(np.column_stack([np.ones(first.sum()), shape[first]]), values[first], rcond=None)[0]
    room = Network((Zone("room", 100.0),), exhaust("room", decay.per_hour * 100.0 / 3600.0))
    leak = Leak("room", float(rise) * 1e-6 * decay.per_hour * 100.0 / 3600.0, displaces=False)
    predicted = simulate(room, t_s, leaks=[leak]).of("room") + zero
    misfit = float(np.sqrt(np.mean((predicted - values)[first] ** 2)))
    slope = rise * t_s / 3600.0 * np.exp(-decay.per_hour / 3600.0 * t_s)
    band = 2.0 * np.hypot(misfit, slope * decay.u_per_hour) + 0.05 * rise
    assert (np.abs(predicted - values)[~first] <= band[~first]).mean() >= 0.95


@dataclass(frozen=True)
class Half:
    """What the first half of a fall says, and how much of the second half lies within the band that it states."""

    first: AirChange
    inside: float


def _second_half(log: Path, channel: str, begin: str, end: str, background_ppm: float | None = None) -> Half:
    """Air changes fitted on the first half, carried through the second by the model; band of two standard
    uncertainties of rate and background, and of the misfit of the first half."""
    recorded = read_log(log)
    trace = recorded.trace(channel)
    begin_s, end_s = parse_instant(begin, recorded), parse_instant(end, recorded)
    good = np.isfinite(trace.values) & (trace.t_s >= begin_s) & (trace.t_s <= end_s)
    t_s, values = trace.t_s[good] - begin_s, trace.values[good]
    half_s = float(t_s[-1]) / 2.0
    first = air_change(t_s, values, from_s=0.0, to_s=half_s, background_ppm=background_ppm)
    if first.refused:
        return Half(first, math.nan)
    room = Network((Zone("room", 100.0),), exhaust("room", first.per_hour * 100.0 / 3600.0))
    above = simulate(room, t_s, start_ppm=first.start_ppm - first.background_ppm).of("room")
    shift = np.hypot(above * t_s / 3600.0 * first.u_per_hour, first.u_background_ppm if background_ppm is None else 0.0)
    off, band = np.abs(values - above - first.background_ppm), 2.0 * np.hypot(shift, first.rms_ppm)
    later = t_s > half_s
    return Half(first, float((off <= band)[later].mean()))


OFFICE = ("co2_office_occupancy/datatraining.txt", "CO2")


@pytest.mark.parametrize(
    ("log", "channel", "begin", "end"),
    [
        (*OFFICE, "2015-02-04T18:05:00", "2015-02-05T00:00:00"),
        (*OFFICE, "2015-02-06T18:05:00", "2015-02-07T00:00:00"),
        (*OFFICE, "2015-02-09T18:03:00", "2015-02-10T02:00:00"),
        ("co2_box_steps/cycle_2021-09-13_800.csv", "ndir_a", "2021-09-13T13:44:47", "2021-09-13T13:47:16"),
    ],
)
def test_the_first_half_of_other_falls_carries_the_second(
    datasets: Path, log: str, channel: str, begin: str, end: str
) -> None:
    half = _second_half(datasets / log, channel, begin, end)
    assert not half.first.refused
    assert half.inside >= 0.95


@pytest.mark.parametrize("channel", ["ndir_a", "ndir_c", "slow_d", "ref"])
def test_a_first_half_that_carries_nothing_says_so(datasets: Path, channel: str) -> None:
    """The sealed box leaks at 0.007 per hour in the morning and 0.017 later, so no rate holds for both; nor is one
    told without a flag."""
    box = datasets / "co2_box_steps" / "sealed_2021-07-01_26h.csv"
    half = _second_half(box, channel, "2021-07-02T02:00:00", "2021-07-02T17:20:00", 420.0)
    assert "not-one-rate" in half.first.flags
    office = _second_half(datasets / OFFICE[0], OFFICE[1], "2015-02-05T18:03:00", "2015-02-06T00:00:00")
    assert office.first.refused
