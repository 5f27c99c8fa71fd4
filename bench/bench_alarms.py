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
LENGTHS = (("day", DAY_S, 51), ("week", WEEK_S, 31), ("year", YEAR_S, 9))


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


def stream_bytes_s(size_bytes: int) -> Callable[[], object]:
    """A copy of an array of this size to itself: reads and writes twice as many bytes, as fast as the machine does."""
    source, target = np.ones(size_bytes // 8), np.empty(size_bytes // 8)
    return lambda: np.copyto(target, source)


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


def _pass_row(
    what: str, runs: int, t_s: np.ndarray, values: np.ndarray, points: tuple[AlarmPoint, ...], limit: str
) -> dict[str, object]:
    """Replay beside one pass of NumPy and beside what memory can deliver, in turns."""
    call, copy = (lambda: replay(t_s, values, points)), stream_bytes_s(values.nbytes)
    mine, pass_s, copy_s = interleaved(runs, call, lambda: np.max(values), copy)
    physical_s = copy_s / 2.0  # a copy moves every byte twice, replay reads the readings once
    return _row(
        what, mine, "numpy.max", pass_s, limit, memory_mb=memory_mb(call), physical_s=physical_s,
        note=f"{mine / pass_s:.2f} x one pass; memory moves {values.nbytes / physical_s / 1e9:.1f} GB/s",
    )  # fmt: skip


def in_pieces(t_s: np.ndarray, values: np.ndarray, size: int) -> int:
    """The same recording handed over piece by piece, the state carried."""
    state, count = None, 0
    for first in range(0, len(values), size):
        edges = replay(t_s[first : first + size], values[first : first + size], POINTS, state=state)
        state, count = edges.state, count + len(edges)
    return count


def rows(longest_s: int = YEAR_S) -> list[dict[str, object]]:
    """One row a comparison; ratio is the peer's time over ours. `longest_s` makes a short rehearsal possible."""
    out = []
    lengths = [(name, seconds, runs) for name, seconds, runs in LENGTHS if seconds <= longest_s]
    for name, seconds, runs in lengths:
        t_s, values = recording(seconds)
        assert len(replay(t_s, values, POINTS)) == 4 * len(range(0, seconds, DAY_S))
        out.append(_pass_row(f"replay, 2 points, 1 {name} at 1 Hz", runs, t_s, values, POINTS, ">= 0.25 x"))
    out.append(_pass_row("the same in float32", 9, t_s, values.astype(np.float32), POINTS, ">= 0.25 x"))
    integers = np.round(values).astype(np.int32)
    out.append(_pass_row("the same in 32-bit integers", 9, t_s, integers, POINTS, "-"))
    whole = len(replay(t_s, values, POINTS))
    for size, word in ((3600, "hour"), (86_400, "day")):
        assert in_pieces(t_s, values, size) == whole, "pieces must find the same edges"
        call = lambda size=size: in_pieces(t_s, values, size)  # noqa: E731
        mine, at_once = interleaved(5, call, lambda: replay(t_s, values, POINTS))
        out.append(
            _row(
                f"the same in pieces of an {word}" if word == "hour" else f"the same in pieces of a {word}",
                mine,
                "at once",
                at_once,
                "-",
                memory_mb=memory_mb(call),
                note=f"{mine / len(values) * 1e9:.2f} ns a reading",
            )
        )
    t_s, values = recording(min(WEEK_S, longest_s))
    told = replay(t_s, values, POINTS)
    for p, edges in enumerate(by_pandas(t_s, values)):
        assert np.array_equal(edges, told.t_s[told.point == p]), "the peer must find the same edges"
    call = lambda: replay(t_s, values, POINTS)  # noqa: E731
    mine, frame_s = interleaved(9, call, lambda: by_pandas(t_s, values))
    theirs = memory_mb(lambda: by_pandas(t_s, values))
    out.append(
        _row(
            "replay, 2 points, 1 week",
            mine,
            "pandas where + ffill + diff",
            frame_s,
            ">= 30 x",
            memory_mb=memory_mb(call),
            note=f"the peer's memory: {theirs:.3g} MB",
        )
    )
    t_day, day = recording(DAY_S)
    call = lambda: replay(t_day, day, POINTS)  # noqa: E731
    mine, machine_s = interleaved(3, call, lambda: by_machine(t_day, day))
    out.append(
        _row("replay, 2 points, 1 day", mine, "stepped in Python", machine_s, ">= 300 x", memory_mb=memory_mb(call))
    )
    delayed = tuple(
        AlarmPoint(p.name, p.set_level, deadband=p.deadband, on_delay_s=300.0, off_delay_s=300.0) for p in POINTS
    )
    out.append(_pass_row("replay with delays of 300 s, 1 week", 9, t_s, values, delayed, "-"))
    call = lambda: exposure(t_s, values)  # noqa: E731
    mine, frame_s = interleaved(5, call, lambda: _by_rolling(values))
    out.append(
        _row(
            "exposure figures, 1 week",
            mine,
            "pandas rolling means",
            frame_s,
            "-",
            memory_mb=memory_mb(call),
            note="any spacing",
        )
    )
    return out


def _by_rolling(values: np.ndarray) -> tuple[float, float]:
    series = pd.Series(values)
    return series.rolling(900).mean().max(), series.rolling(28_800).mean().max()
