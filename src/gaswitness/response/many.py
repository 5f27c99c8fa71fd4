"""The step fit over many traces of one time axis: kernels over threads, and care where a trace needs it."""

from __future__ import annotations

import math
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaswitness.errors import InputError
from gaswitness.response import separable
from gaswitness.response.fit import fit_step
from gaswitness.response.rows import fit_rows
from gaswitness.response.seek import COARSE
from gaswitness.response.trace import as_arrays, check_known, check_size

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_TOLERANCE = 1e-6
_CHUNK = 256
_ALIKE = 0.5
"""A trace with fewer different values than this part of its samples may have a coarse display."""
_FEW = 64
_COLUMNS = ("zero", "plateau", "dead_time_s", "tau_1_s", "tau_2_s", "t50_s", "t90_s")


@dataclass(frozen=True, slots=True)
class ManyFits:
    """Figures of many fits, one entry a trace; NaN is unknown."""

    zero: Floats
    plateau: Floats
    dead_time_s: Floats
    taus_s: Floats
    """Shape (traces, order)."""
    t50_s: Floats
    t90_s: Floats
    u_zero: Floats
    u_plateau: Floats
    u_dead_time_s: Floats
    u_taus_s: Floats
    u_t50_s: Floats
    u_t90_s: Floats
    rss: Floats
    sigma: Floats
    converged: Bools
    careful: Bools
    """Traces that went through `fit_step`: gaps, spikes, range ends, a coarse display, no fit at first."""
    flags: tuple[tuple[str, ...], ...]
    """Flags of the careful ones; of the others only `correlated-residuals`, `at-bound` and `extrapolated` are told."""


def fit_many(
    t_s: ArrayLike,
    readings: ArrayLike,
    gas_on_s: float,
    gas_off_s: float | None = None,
    *,
    order: int = 2,
    zero: float | None = None,
    dead_time_s: float | None = None,
    returns_to_zero: bool = False,
    drift: bool = False,
    cap_tau_s: float = 0.0,
    average_s: float = 0.0,
    range_low: float = -math.inf,
    range_high: float = math.inf,
    threads: int | None = None,
) -> ManyFits:
    """Fit each row of `readings` (shape (traces, samples)) as `fit_step` does, over the same times `t_s` [s].

    Most rows need nothing but least squares and are done by compiled code on `threads` threads (default: one a
    processor). Rows with missing or odd samples, at the ends of the range, with a coarse display, or without a proper
    fit go to `fit_step` one by one, which is some 20 times slower. A drift of the baseline is fitted only if asked for.

    >>> t = np.arange(-20.0, 200.0)
    >>> y = np.array([[400.0], [450.0]]) + 500.0 * (1 - np.exp(-t.clip(0) / 20))
    >>> y += np.random.default_rng(1).normal(0.0, 1.0, y.shape)
    >>> fit_many(t, y, 0.0, order=1).plateau.round(0)
    array([900., 950.])
    """
    t, _ = as_arrays(t_s, np.zeros(np.shape(t_s)))
    rows = np.ascontiguousarray(readings, dtype=np.float64)
    if rows.ndim != 2 or rows.shape[1] != t.size or t.size == 0:
        raise InputError(
            "times and readings do not match", found=(t.shape, rows.shape), expected="(n,) and (traces, n)"
        )
    check_size(rows)
    check_known(cap_tau_s, average_s)
    count = rows.shape[0]
    off = math.inf if gas_off_s is None or gas_off_s >= t[-1] else float(gas_off_s)
    values, variances, quality = np.full((count, 7), math.nan), np.full((count, 7), math.nan), np.zeros((count, 6))
    plain = np.zeros(count, dtype=np.bool_)
    shift = 0.0 if zero is None else zero
    dead = -1.0 if dead_time_s is None else float(dead_time_s)

    def do(begin: int) -> None:
        part = slice(begin, min(begin + _CHUNK, count))
        fine = _plain(rows[part], range_low, range_high) & (t.size >= 8)
        chosen = np.flatnonzero(fine) + begin
        if chosen.size == 0:
            return
        some = np.ascontiguousarray(rows[chosen] - shift) if shift or chosen.size < part.stop - begin else rows[part]
        v, s, q = np.empty((chosen.size, 7)), np.empty((chosen.size, 7)), np.empty((chosen.size, 6))
        fit_rows(
            t,
            some,
            float(gas_on_s),
            off,
            returns_to_zero,
            zero is not None,
            drift,
            float(cap_tau_s),
            float(average_s),
            order,
            dead,
            _TOLERANCE,
            v,
            s,
            q,
        )
        ok = (q[:, 3] == separable.CONVERGED) & (q[:, 4] == 0) & (q[:, 5] == 1)
        ok &= ~_coarse(some, np.sqrt(q[:, 1]))
        v[:, :2] += shift
        values[chosen], variances[chosen], quality[chosen], plain[chosen] = v, s, q, ok

    with ThreadPoolExecutor(threads or os.cpu_count() or 1) as pool:
        list(pool.map(do, range(0, count, _CHUNK)))
    u = np.sqrt(np.maximum(variances, 0.0))
    flags = _flags(plain, values, quality, t, float(gas_on_s), off)
    converged = plain.copy()
    for row in np.flatnonzero(~plain):
        one = fit_step(
            t, rows[row], gas_on_s, gas_off_s, order=order, zero=zero, dead_time_s=dead_time_s,
            returns_to_zero=returns_to_zero, drift=drift, cap_tau_s=cap_tau_s, average_s=average_s,
            range_low=range_low, range_high=range_high,
        )  # fmt: skip
        second, u_second = (one.taus_s[1], one.u_taus_s[1]) if order == 2 else (0.0, 0.0)
        values[row] = one.zero, one.plateau, one.dead_time_s, one.taus_s[0], second, one.t50_s, one.t90_s
        u[row] = one.u_zero, one.u_plateau, one.u_dead_time_s, one.u_taus_s[0], u_second, one.u_t50_s, one.u_t90_s
        quality[row, 0], quality[row, 1] = one.rss, one.sigma**2
        converged[row] = one.converged
        flags[row] = one.flags
    column = {name: (values[:, k], u[:, k]) for k, name in enumerate(_COLUMNS)}
    return ManyFits(
        zero=column["zero"][0], plateau=column["plateau"][0], dead_time_s=column["dead_time_s"][0],
        taus_s=values[:, 3 : 3 + order], t50_s=column["t50_s"][0], t90_s=column["t90_s"][0],
        u_zero=column["zero"][1], u_plateau=column["plateau"][1], u_dead_time_s=column["dead_time_s"][1],
        u_taus_s=u[:, 3 : 3 + order], u_t50_s=column["t50_s"][1], u_t90_s=column["t90_s"][1],
        rss=quality[:, 0], sigma=np.sqrt(quality[:, 1]), converged=converged, careful=~plain, flags=tuple(flags),
    )  # fmt: skip


def _plain(rows: Floats, low: float, high: float) -> Bools:
    """Rows without missing samples and within the range, that do move."""
    least, most = rows.min(axis=1), rows.max(axis=1)
    return np.asarray(np.isfinite(least) & np.isfinite(most) & (least > low) & (most < high) & (most > least))


def _coarse(rows: Floats, sigma: Floats) -> Bools:
    """Rows whose display step is large against their noise."""
    coarse = np.zeros(len(rows), dtype=np.bool_)
    # a few samples tell most traces apart: only where many of them are alike is it worth sorting the whole
    few = np.sort(rows[:, :_FEW], axis=1)
    for row in np.flatnonzero((np.diff(few, axis=1) > 0).sum(axis=1) < _ALIKE * few.shape[1]):
        ordered = np.sort(rows[row])
        steps = np.diff(ordered)
        steps = steps[steps > 1e-9 * (ordered[-1] - ordered[0])]
        coarse[row] = steps.size < _ALIKE * rows.shape[1] and sigma[row] < COARSE * steps.min()
    return coarse


def _flags(plain: Bools, values: Floats, quality: Floats, t: Floats, on: float, off: float) -> list[tuple[str, ...]]:
    """What can be told of the plain ones at no cost."""
    end = min(off, float(t[-1])) - on
    together = quality[:, 2] > 2.0 / math.sqrt(t.size) if t.size >= 20 else np.zeros(plain.size, dtype=np.bool_)
    told = {
        "at-bound": (values[:, 2] <= 0.0) | (values[:, 4] <= 0.0),
        "correlated-residuals": together,
        "extrapolated": values[:, 6] + (values[:, 6] - values[:, 2]) * 0.3 > end,  # 95 % of one lag: 1.3 times t90
    }
    return [tuple(name for name, which in told.items() if plain[row] and which[row]) for row in range(plain.size)]
