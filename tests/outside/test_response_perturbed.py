"""Recorded steps, altered as other records are: no crash, and no confident time that the unaltered one contradicts.

co2_box_steps: Data (c) 2021 Guillermo Barrios del Valle, UNAM, github.com/lata-mas/Monitor_co2_pistas_educativas, MIT.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from gaswitness.errors import InputError
from gaswitness.links.logfile import read_log
from gaswitness.response import ResponseFigures, response_figures

Floats = NDArray[np.float64]
Change = Callable[[Floats, Floats, ResponseFigures], tuple[Floats, Floats]]


def _only(t: Floats, y: Floats, kept: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    return t[kept], y[kept]


def _clipped(t: Floats, y: Floats, share: float) -> tuple[Floats, Floats]:
    low, high = np.nanmin(y), np.nanmax(y)
    return t, np.minimum(y, low + share * (high - low))


def _gap_in_the_rise(t: Floats, y: Floats, was: ResponseFigures) -> tuple[Floats, Floats]:
    k = int(np.searchsorted(t, was.gas_on_s))
    kept = np.ones(t.size, dtype=np.bool_)
    kept[k + 2 : k + 2 + max(4, t.size // 40)] = False
    return _only(t, y, kept)


def _half_the_exposure(t: Floats, y: Floats, was: ResponseFigures) -> tuple[Floats, Floats]:
    end = was.gas_off_s if math.isfinite(was.gas_off_s) else t[-1]
    return _only(t, y, t <= was.gas_on_s + 0.5 * (end - was.gas_on_s))


def _coarse(t: Floats, y: Floats) -> tuple[Floats, Floats]:
    step = (np.nanmax(y) - np.nanmin(y)) / 15
    return t, np.round(y / step) * step


def _resampled(t: Floats, y: Floats) -> tuple[Floats, Floats]:
    even = np.linspace(t[0], t[-1], int(1.7 * t.size))
    return even, np.interp(even, t, y)


EXACT: dict[str, Change] = {
    "shifted in time": lambda t, y, was: (t + 1e6, y),
    "offset": lambda t, y, was: (t, y + 500.0),
    "as a fraction": lambda t, y, was: (t, y * 1e-6),
    "another unit": lambda t, y, was: (t, y * 1.8),
}
ROUGH: dict[str, Change] = {
    "every second": lambda t, y, was: (t[::2], y[::2]),
    "every third": lambda t, y, was: (t[1::3], y[1::3]),
    "resampled": lambda t, y, was: _resampled(t, y),
    "range ends at 95 %": lambda t, y, was: _clipped(t, y, 0.95),
    "gap in the rise": _gap_in_the_rise,
    "half of the exposure": _half_the_exposure,
    "coarse": lambda t, y, was: _coarse(t, y),
    "upside down": lambda t, y, was: (t, -y),
}
HIDDEN: dict[str, tuple[Change, str]] = {
    "range ends at 70 %": (lambda t, y, was: _clipped(t, y, 0.7), "saturated"),
    "from gas on": (lambda t, y, was: _only(t, y, t >= was.gas_on_s), "baseline-missing"),
}
"""What takes the plateau or the zero out of a record, and the flag that says so."""


def recorded(datasets: Path) -> list[tuple[str, Floats, Floats]]:
    found = []
    for name in ("cycle_2021-09-13_600", "cycle_2021-09-13_800", "rise_2021-07-26_520", "rise_2021-07-26_750"):
        log = read_log(datasets / "co2_box_steps" / f"{name}.csv")
        for channel in ("ndir_a", "ndir_b", "ndir_c", "ref"):
            if channel in log.channels:
                trace = log.trace(channel)
                good = np.isfinite(trace.values)
                found.append((f"{name} {channel}", trace.t_s[good], trace.values[good]))
    return found


@pytest.mark.parametrize("change", EXACT)
def test_what_is_only_said_otherwise_gives_the_same(datasets: Path, change: str) -> None:
    for name, t, y in recorded(datasets):
        was = response_figures(t, y)
        now = response_figures(*EXACT[change](t, y, was))
        assert now.t90.value == pytest.approx(was.t90.value, rel=1e-3, nan_ok=True), name
        assert now.flags == was.flags, name


@pytest.mark.parametrize("change", ROUGH)
def test_what_is_known_less_well_is_not_told_as_if_it_were(datasets: Path, change: str) -> None:
    compared = 0
    for name, t, y in recorded(datasets):
        was = response_figures(t, y)
        if not math.isfinite(was.gas_on_s):
            continue
        t_new, y_new = ROUGH[change](t, y, was)
        try:
            now = response_figures(t_new, y_new)
        except InputError:
            continue
        if math.isfinite(now.t90.value) and math.isfinite(was.t90.value):
            compared += 1
            allowed = 3.0 * math.hypot(now.t90.u, was.t90.u) + float(np.median(np.diff(t_new)))
            apart = abs(now.t90.value - was.t90.value)
            assert apart <= max(allowed, 0.1 * was.t90.value), f"{name}: {now.t90} was {was.t90}"
    assert compared > 0


@pytest.mark.parametrize("change", HIDDEN)
def test_what_a_record_no_longer_holds_is_not_told_and_a_flag_says_why(datasets: Path, change: str) -> None:
    alter, flag = HIDDEN[change]
    known = [
        (name, t, y, was)
        for name, t, y in recorded(datasets)
        if math.isfinite((was := response_figures(t, y)).t90.value)
    ]
    assert len(known) > 1
    for name, t, y, was in known:
        now = response_figures(*alter(t, y, was))
        assert math.isnan(now.t90.value), name
        assert flag in now.flags, name
