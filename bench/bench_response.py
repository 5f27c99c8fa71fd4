"""Step fits against general fitters, on the same traces and to the same or a lower sum of squares."""

from __future__ import annotations

import statistics
from collections.abc import Callable
from time import perf_counter, process_time

import lmfit
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import curve_fit

from bench.bench_alarms import memory_mb
from gaswitness.response import SensorPath, fit_many, fit_step, step_curve
from gaswitness.response.live import LiveFit

Floats = NDArray[np.float64]

T = np.arange(-60.0, 540.0)
MANY = 100_000


def traces(count: int, seed: int = 1) -> Floats:
    """Second order with dead time, 600 samples at 1 s, lags of 10-60 s, noise 5 of a step of 600."""
    rng = np.random.default_rng(seed)
    paths = [
        SensorPath(rng.uniform(0, 15), (tau := rng.uniform(10, 60), tau * rng.uniform(0.1, 0.9))) for _ in range(64)
    ]
    clean = np.array([step_curve(path, T, room_ppm=400.0, bottle_ppm=1000.0) for path in paths])
    return clean[np.arange(count) % 64] + rng.normal(0.0, 5.0, (count, T.size))


def two_lags(t: Floats, zero: float, gain: float, dead: float, tau1: float, tau2: float) -> Floats:
    """The same model as anybody would write it."""
    u = np.maximum(t - dead, 0.0)
    return zero + gain * (1 - (tau1 * np.exp(-u / tau1) - tau2 * np.exp(-u / tau2)) / (tau1 - tau2))


START = {"zero": 410.0, "gain": 580.0, "dead": 5.0, "tau1": 30.0, "tau2": 10.0}


def by_scipy(y: Floats) -> float:
    """curve_fit from a fair start, within bounds as a careful user would set them."""
    bounds = ([-np.inf, -np.inf, 0, 0.1, 0.1], [np.inf, np.inf, 100, 1e3, 1e3])
    found, _ = curve_fit(two_lags, T, y, list(START.values()), bounds=bounds)
    return float(np.sum((y - two_lags(T, *found)) ** 2))


def by_lmfit(y: Floats) -> float:
    """lmfit likewise."""
    model = lmfit.Model(two_lags)
    parameters = model.make_params(**START)
    parameters["dead"].min, parameters["tau1"].min, parameters["tau2"].min = 0.0, 0.1, 0.1
    return float(model.fit(y, parameters, t=T).chisqr)


def took(do: Callable[[], object]) -> float:
    """Seconds of one call."""
    start = perf_counter()
    do()
    return perf_counter() - start


def rows(many_traces: int = MANY) -> list[dict]:
    """Medians of interleaved runs."""
    some = traces(20)
    block = traces(2000)
    fit_many(T, block[:4], 0.0)
    fit_step(T, some[0], 0.0, drift=False)
    ours, single, scipy_s, lmfit_s, worse = [], [], [], [], 0
    for y in some:
        ours.append(took(lambda: fit_many(T, block, 0.0)) / len(block))
        single.append(took(lambda y=y: fit_step(T, y, 0.0, drift=False)))
        scipy_s.append(took(lambda y=y: by_scipy(y)))
        lmfit_s.append(took(lambda y=y: by_lmfit(y)))
        rss = fit_many(T, y[None], 0.0).rss[0]
        worse += rss > min(by_scipy(y), by_lmfit(y)) * (1 + 1e-6)
    this, one = statistics.median(ours), statistics.median(single)
    busy = process_time()
    fit_many(T, block, 0.0)
    busy = (process_time() - busy) / len(block) * 1e3
    note = f"{busy:.2f} ms of processor time; rss higher than a peer's on {worse} of {len(some)} traces"
    live = LiveFit(0.0, levels=(600.0, 900.0))
    each = [took(lambda t=t, y=y: live.add(float(t), float(y))) for t, y in zip(T, some[0], strict=True)]
    many = traces(many_traces)
    whole = took(lambda: fit_many(T, many, 0.0))
    peak = memory_mb(lambda: fit_many(T, many, 0.0))

    def row(what: str, this_s: float, **more: object) -> dict:
        empty = {"peer": None, "peer_s": None, "ratio": None, "limit": None, "memory_mb": None, "note": ""}
        return {"what": what, "this_s": this_s, **empty, **more}

    fits_mb, step_mb = (
        memory_mb(lambda: fit_many(T, block, 0.0)),
        memory_mb(lambda: fit_step(T, some[0], 0.0, drift=False)),
    )
    live_mb = memory_mb(lambda: [LiveFit(0.0).add(float(t), float(y)) for t, y in zip(T[:120], some[0], strict=False)])
    peers = (("scipy curve_fit", statistics.median(scipy_s), 10), ("lmfit", statistics.median(lmfit_s), 30))
    return [
        *(
            row(
                "fit_many, 600 samples, two lags, a trace", this, peer=peer, peer_s=peer_s, ratio=peer_s / this,
                limit=f"0.4 ms; {goal} x", note=note, memory_mb=fits_mb,
            )
            for peer, peer_s, goal in peers
        ),
        *(
            row(
                "fit_step, the same trace, all checks", one, peer=peer, peer_s=peer_s, ratio=peer_s / one,
                memory_mb=step_mb,
            )
            for peer, peer_s, _ in peers
        ),
        row(
            f"fit_many, {many_traces} traces", whole, limit="60 s on 2 cores", memory_mb=peak,
            note=f"beside {many.nbytes / 1e6:.0f} MB of readings",
        ),
        row(
            "LiveFit, a sample", statistics.median(each), limit="1 ms", memory_mb=live_mb,
            note=f"95th of 100: {np.quantile(each, 0.95) * 1e3:.2f} ms",
        ),
    ]  # fmt: skip
