"""Replay over arrays equals the streaming machine, and both equal a third telling of the rules, on any input."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gaswitness.alarms import AlarmPoint, Edge, PointState, ReplayState, logic, replay

LEVELS = [0.0, 99.0, 100.0, 80.0, 79.99999999999999, 120.0, 120.00000000000001, 500.0, -5.0]
"""Readings on, just off and far from the levels of the points below."""
READINGS = st.one_of(st.sampled_from([*LEVELS, math.nan, math.inf, -math.inf]), st.floats(-50, 550))
STEPS_S = st.sampled_from([0.0, 0.5, 1.0, 1.0, 2.0, 5.0, 30.0, 1000.0])
POINTS = st.builds(
    AlarmPoint,
    name=st.just("point"),
    set_level=st.sampled_from([100.0, 120.0, 0.0]),
    direction=st.sampled_from(["rising", "falling"]),
    deadband=st.sampled_from([0.0, 20.0, 1e-9]),
    on_delay_s=st.sampled_from([0.0, 0.5, 1.0, 3.0, 30.0]),
    off_delay_s=st.sampled_from([0.0, 1.0, 3.0, 30.0]),
    latching=st.booleans(),
    stale_s=st.sampled_from([math.inf, 10.0, 1.0]),
)
MANY = st.lists(POINTS, min_size=1, max_size=4).map(
    lambda points: tuple(
        AlarmPoint(f"p{i}", p.set_level, p.direction, p.deadband, p.on_delay_s, p.off_delay_s, p.latching, p.stale_s)
        for i, p in enumerate(points)
    )
)


@st.composite
def recordings(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray]:
    """Times that do not go back, and readings in runs: long ones, so that whole blocks are quiet."""
    runs = draw(
        st.lists(
            st.tuples(READINGS, STEPS_S, st.sampled_from([1, 1, 1, 2, 3, logic.BLOCK, 1500])), min_size=0, max_size=25
        )
    )
    values = np.repeat(np.array([v for v, _, _ in runs], float), [n for _, _, n in runs])
    steps = np.repeat(np.array([s for _, s, _ in runs], float), [n for _, _, n in runs])
    return np.cumsum(steps), values


def presses(t_s: np.ndarray) -> st.SearchStrategy[list[float]]:
    """Instants on samples, between them, before the first and after the last."""
    end = float(t_s[-1]) if len(t_s) else 0.0
    on_sample = st.sampled_from([float(t) for t in t_s[:: max(1, len(t_s) // 50)]]) if len(t_s) else st.just(0.0)
    return st.lists(st.one_of(on_sample, st.floats(-5.0, end + 5.0)), max_size=6)


def by_machine(
    t_s: np.ndarray,
    values: np.ndarray,
    points: tuple[AlarmPoint, ...],
    resets_s: list[float],
    acknowledges_s: list[float],
    inhibits_s: list[tuple[float, float]],
) -> tuple[list[tuple[int, Edge]], tuple[PointState, ...]]:
    """Every sample through every point, one by one; a press goes to the first sample at or after it."""
    states = [point.start() for point in points]
    edges: list[tuple[int, Edge]] = []
    last = -math.inf
    for i, (t, value) in enumerate(zip(t_s.tolist(), values.tolist(), strict=True)):
        reset = any(last < press <= t for press in resets_s)
        acknowledge = any(last < press <= t for press in acknowledges_s)
        inhibited = any(begin <= t < end for begin, end in inhibits_s)
        for p, point in enumerate(points):
            states[p], new = point.step(states[p], t, value, reset=reset, acknowledge=acknowledge, inhibited=inhibited)
            edges += [(i, edge) for edge in new]
        last = max(last, t)
    return edges, tuple(states)


def by_looking_back(point: AlarmPoint, t_s: np.ndarray, values: np.ndarray) -> list[tuple[float, str]]:
    """Set and clear of a point without latch, told another way: at each sample, how far back does the change reach?"""
    samples = [(t, v) for t, v in zip(t_s.tolist(), values.tolist(), strict=True) if not math.isnan(v)]
    on, changed, edges = False, 0, []

    def asks(v: float) -> bool:
        if point.direction == "rising":
            return v < point.set_level - point.deadband if on else v >= point.set_level
        return v > point.set_level + point.deadband if on else v <= point.set_level

    for k, (t, v) in enumerate(samples):
        if not asks(v):
            continue
        first = k
        while (
            first > changed
            and asks(samples[first - 1][1])
            and samples[first][0] - samples[first - 1][0] <= point.stale_s
        ):
            first -= 1
        if t - samples[first][0] >= (point.off_delay_s if on else point.on_delay_s):
            on = not on
            changed = k + 1
            edges.append((t, "set" if on else "clear"))
    return edges


def same(a: list[tuple[int, Edge]], b: list[tuple[int, Edge]]) -> bool:
    return repr(a) == repr(b)  # by text, so that NaN equals NaN


@settings(max_examples=200, deadline=None)
@given(st.data(), recordings(), MANY)
def test_replay_is_the_machine(
    data: st.DataObject, recording: tuple[np.ndarray, np.ndarray], points: tuple[AlarmPoint, ...]
) -> None:
    t_s, values = recording
    resets_s, acknowledges_s = data.draw(presses(t_s)), data.draw(presses(t_s))
    bounds = data.draw(presses(t_s))
    inhibits_s = list(zip(bounds[::2], bounds[1::2], strict=False))
    expected, states = by_machine(t_s, values, points, resets_s, acknowledges_s, inhibits_s)
    edges = replay(t_s, values, points, resets_s=resets_s, acknowledges_s=acknowledges_s, inhibits_s=inhibits_s)
    assert same(list(zip(edges.index.tolist(), edges, strict=True)), expected)
    assert edges.state.points == states


@settings(max_examples=100, deadline=None)
@given(st.data(), recordings(), MANY)
def test_pieces_give_the_whole(
    data: st.DataObject, recording: tuple[np.ndarray, np.ndarray], points: tuple[AlarmPoint, ...]
) -> None:
    t_s, values = recording
    pressed = {
        "resets_s": data.draw(presses(t_s)),
        "acknowledges_s": data.draw(presses(t_s)),
        "inhibits_s": [(1.0, 7.0)],
    }
    whole = replay(t_s, values, points, **pressed)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(t_s)), max_size=5)))
    state: ReplayState | None = None
    pieces: list[tuple[int, Edge]] = []
    for begin, end in zip([0, *cuts], [*cuts, len(t_s)], strict=True):
        part = replay(t_s[begin:end], values[begin:end], points, state=state, **pressed)
        pieces += list(zip((part.index + begin).tolist(), part, strict=True))
        state = part.state
    assert same(list(zip(whole.index.tolist(), whole, strict=True)), pieces)
    assert state is not None
    assert state.points == whole.state.points


@settings(max_examples=200, deadline=None)
@given(recordings(), POINTS)
def test_both_are_what_looking_back_says(recording: tuple[np.ndarray, np.ndarray], point: AlarmPoint) -> None:
    t_s, values = recording
    free = AlarmPoint(
        "p", point.set_level, point.direction, point.deadband, point.on_delay_s, point.off_delay_s, False, point.stale_s
    )
    assert [(e.t_s, e.kind) for e in replay(t_s, values, [free])] == by_looking_back(free, t_s, values)


@pytest.mark.parametrize("dtype", ["f4", "i2", "i4", "u2", "i8", ">f8", "f2"])
@pytest.mark.parametrize("layout", ["whole", "every other", "read-only"])
def test_any_kind_of_number_is_taken_as_it_is(dtype: str, layout: str) -> None:
    rng = np.random.default_rng(5)
    values = (rng.integers(60, 140, 6000)).astype(dtype)
    t_s = np.arange(len(values)) * 2
    if layout == "every other":
        values, t_s = values[::2], t_s[::2]
    if layout == "read-only":
        values.setflags(write=False)
    points = (AlarmPoint("a", 120.0, deadband=20.0, on_delay_s=4.0), AlarmPoint("b", 100.0, "falling", deadband=20.0))
    edges = replay(t_s, values, points)
    assert len(edges) > 100
    assert same(list(zip(edges.index.tolist(), edges, strict=True)), by_machine(t_s, values, points, [], [], [])[0])


def test_more_edges_than_fit_in_one_go() -> None:
    values = np.tile([0.0, 200.0], 10_000)
    edges = replay(np.arange(len(values)), values, [AlarmPoint("a", 100.0), AlarmPoint("b", 150.0, latching=True)])
    assert (edges.point == 0).sum() == 19_999
    assert [edge.kind for edge in edges if edge.point == "b"][:4] == ["set", "returned", "recurred", "returned"]


_TOLD = """
import json, sys
import numpy as np
from gaswitness.alarms import AlarmPoint, replay
from gaswitness.kernels import compiling
rng = np.random.default_rng(3)
values = np.cumsum(rng.normal(0, 3, 20_000)) + 100
values[rng.integers(0, len(values), 500)] = np.nan
t_s = np.cumsum(rng.exponential(1.0, len(values)))
points = [AlarmPoint("low", 120.0, deadband=7.0, on_delay_s=5.0),
    AlarmPoint("o2", 80.0, "falling", off_delay_s=9.0, latching=True, stale_s=3.0)]
edges = replay(t_s, values, points, resets_s=t_s[::997] + 0.1, acknowledges_s=t_s[::499], inhibits_s=[(50.0, 900.0)])
print(json.dumps([compiling(), "numba" in sys.modules, repr(list(edges))]))
"""


def test_the_same_without_compiler() -> None:
    def tell(no_numba: str) -> list[object]:
        env = {**os.environ, "GASWITNESS_NO_NUMBA": no_numba}
        out = subprocess.run([sys.executable, "-c", _TOLD], env=env, capture_output=True, text=True, check=True)
        return json.loads(out.stdout)

    compiled, plain = tell("0"), tell("1")
    assert compiled[:2] == [True, True]
    assert plain[:2] == [False, False]
    assert compiled[2] == plain[2]
    assert len(str(plain[2])) > 1000
