"""Alarm replay and exposure against a plain pass over memory, pandas, and the machine stepped in Python."""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Callable
from statistics import median

import numpy as np
import pandas as pd

from gaswitness.alarms import AlarmPoint, replay
from gaswitness.exposure import exposure

POINTS = (AlarmPoint("low", 1000.0, deadband=200.0), AlarmPoint("high", 2000.0, deadband=400.0))
DAY_S, WEEK_S, YEAR_S = 86_400, 604_800, 31_536_000


def recording(seconds: int) -> tuple[np.ndarray, np.ndarray]:
    """One reading a second, quiet but for ten minutes of gas a day."""
    rng = np.random.default_rng(7)
    values = rng.normal(450.0, 20.0, seconds)
    for day in range(0, seconds, DAY_S):
        values[day + 30_000 : day + 30_600] += 2000.0
    return np.arange(seconds, dtype=np.float64), values


def by_pandas(t_s: np.ndarray, values: np.ndarray) -> list[np.ndarray]:
    """The usual way with a data frame: mark where it sets and clears, fill forward, take differences."""
    series = pd.Series(values)
    edges = []
    for point in POINTS:
        state = pd.Series(np.nan, index=series.index)
        state = state.where(~(series < point.clear_level), 0.0).where(~(series >= point.set_level), 1.0)
        change = state.ffill().fillna(0.0).diff().fillna(0.0)
        edges.append(t_s[np.flatnonzero(change.to_numpy() != 0)])
    return edges


def by_machine(t_s: np.ndarray, values: np.ndarray) -> int:
    """The same points, stepped through one by one."""
    states = [point.start() for point in POINTS]
    count = 0
    for t, value in zip(t_s.tolist(), values.tolist(), strict=True):
        for p, point in enumerate(POINTS):
            states[p], edges = point.step(states[p], t, value)
            count += len(edges)
    return count


def interleaved(runs: int, *calls: Callable[[], object]) -> list[float]:
    """Median time of each call; the calls take turns, so that a busy machine is busy for all of them."""
    times: list[list[float]] = [[] for _ in calls]
    for _ in range(runs):
        for call, taken in zip(calls, times, strict=True):
            began = time.perf_counter()
            call()
            taken.append(time.perf_counter() - began)
    return [median(taken) for taken in times]


def memory_mb(call: Callable[[], object]) -> float:
    """Most memory in use at once during a call."""
    tracemalloc.start()
    call()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / 1e6


def _row(what: str, this_s: float, peer: str, peer_s: float, limit: str, **more: object) -> dict[str, object]:
    return {
        "what": what,
        "this_s": this_s,
        "peer": peer,
        "peer_s": peer_s,
        "ratio": peer_s / this_s,
        "limit": limit,
        **more,
    }


def rows() -> list[dict[str, object]]:
    """One row a comparison; ratio is the peer's time over ours."""
    out = []
    for name, seconds, runs in (("day", DAY_S, 51), ("week", WEEK_S, 31), ("year", YEAR_S, 9)):
        t_s, values = recording(seconds)
        assert len(replay(t_s, values, POINTS)) == 4 * len(range(0, seconds, DAY_S))
        mine, pass_s = interleaved(runs, lambda t=t_s, v=values: replay(t, v, POINTS), lambda v=values: np.max(v))
        note = f"{mine / pass_s:.2f} x one pass"
        extra = memory_mb(lambda t=t_s, v=values: replay(t, v, POINTS))
        out.append(
            _row(
                f"replay, 2 points, 1 {name} at 1 Hz",
                mine,
                "numpy.max",
                pass_s,
                ">= 0.25 x",
                memory_mb=extra,
                note=note,
            )
        )
    values32 = values.astype(np.float32)
    mine, pass_s = interleaved(9, lambda: replay(t_s, values32, POINTS), lambda: np.max(values32))
    out.append(_row("the same in float32", mine, "numpy.max", pass_s, "-", note=f"{mine / pass_s:.2f} x one pass"))
    t_s, values = recording(WEEK_S)
    told = replay(t_s, values, POINTS)
    for p, edges in enumerate(by_pandas(t_s, values)):
        assert np.array_equal(edges, told.t_s[told.point == p]), "the peer must find the same edges"
    mine, frame_s = interleaved(9, lambda: replay(t_s, values, POINTS), lambda: by_pandas(t_s, values))
    out.append(_row("replay, 2 points, 1 week", mine, "pandas where + ffill + diff", frame_s, ">= 30 x"))
    t_s, values = recording(DAY_S)
    mine, machine_s = interleaved(3, lambda: replay(t_s, values, POINTS), lambda: by_machine(t_s, values))
    out.append(_row("replay, 2 points, 1 day", mine, "stepped in Python", machine_s, ">= 300 x"))
    delayed = tuple(
        AlarmPoint(p.name, p.set_level, deadband=p.deadband, on_delay_s=300.0, off_delay_s=300.0) for p in POINTS
    )
    t_s, values = recording(WEEK_S)
    mine, pass_s = interleaved(9, lambda: replay(t_s, values, delayed), lambda: np.max(values))
    out.append(
        _row(
            "replay with delays of 300 s, 1 week",
            mine,
            "numpy.max",
            pass_s,
            "-",
            note=f"{mine / pass_s:.2f} x one pass",
        )
    )
    mine, frame_s = interleaved(5, lambda: exposure(t_s, values), lambda: _by_rolling(values))
    extra = memory_mb(lambda: exposure(t_s, values))
    out.append(
        _row(
            "exposure figures, 1 week", mine, "pandas rolling means", frame_s, "-", memory_mb=extra, note="any spacing"
        )
    )
    return out


def _by_rolling(values: np.ndarray) -> tuple[float, float]:
    series = pd.Series(values)
    return series.rolling(900).mean().max(), series.rolling(28_800).mean().max()
