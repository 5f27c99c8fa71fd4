"""The alarm points over arrays of readings: arrays in, edges out, equal to stepping through them one by one."""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaswitness.alarms import logic
from gaswitness.alarms.point import KINDS, AlarmPoint, Edge, EdgeKind, PointState
from gaswitness.errors import InputError

_EDGE_ROOM = 1024
_PIECE = 1 << 16
_NOTHING = np.zeros(0, np.int64)


@dataclass(frozen=True, slots=True)
class ReplayState:
    """Where a replay stands after its last sample; hand it to the next one to go on."""

    points: tuple[PointState, ...]
    last_t_s: float = -math.inf
    """Presses up to here have been taken."""


@dataclass(frozen=True, slots=True)
class Edges:
    """What changed, in order of time: one entry per edge in each array."""

    points: tuple[AlarmPoint, ...]
    index: NDArray[np.int64]
    """Sample at which it changed."""
    t_s: NDArray[np.float64]
    point: NDArray[np.int64]
    """Position in `points`."""
    kind: NDArray[np.int64]
    """Position in `KINDS`."""
    value: NDArray[np.float64]
    """The reading at that sample."""
    state: ReplayState
    """Where the points stand after the last sample."""

    def __len__(self) -> int:
        return len(self.index)

    def __iter__(self) -> Iterator[Edge]:
        for t_s, p, code, value in zip(self.t_s, self.point, self.kind, self.value, strict=True):
            yield Edge(float(t_s), self.points[p].name, KINDS[code], float(value))

    def of(self, *kinds: EdgeKind) -> Edges:
        """Only the edges of these kinds."""
        kept = np.isin(self.kind, [KINDS.index(kind) for kind in kinds])
        return Edges(
            self.points,
            self.index[kept],
            self.t_s[kept],
            self.point[kept],
            self.kind[kept],
            self.value[kept],
            self.state,
        )


def replay(
    t_s: ArrayLike,
    values: ArrayLike,
    points: Sequence[AlarmPoint],
    *,
    state: ReplayState | None = None,
    resets_s: ArrayLike = (),
    acknowledges_s: ArrayLike = (),
    inhibits_s: Sequence[tuple[float, float]] = (),
) -> Edges:
    """Edges of all `points` of one detector over its readings.

    `t_s` [s] and `values` [unit of the levels] are one-dimensional and equally long; floats or integers are taken as
    they are, without a copy. Time does not go back; equal stamps are samples in turn. A press (`resets_s`,
    `acknowledges_s`) acts at the first sample at or after it. An inhibit holds for samples in `begin <= t_s < end`.

    A recording may be handed over in pieces: `state` of the one before, and the same presses and inhibits each time,
    give the same edges as the whole.

    >>> edges = replay([0, 1, 2, 3], [400.0, 2100.0, 1700.0, 1500.0], [AlarmPoint("low", 2000.0, deadband=400.0)])
    >>> [(edge.t_s, edge.kind) for edge in edges]
    [(1.0, 'set'), (3.0, 'clear')]
    """
    t_s, values = np.asarray(t_s), np.asarray(values)
    points = tuple(points)
    if t_s.ndim != 1 or t_s.shape != values.shape:
        raise InputError(
            "times and readings do not match",
            found=f"shapes {t_s.shape} and {values.shape}",
            expected="two one-dimensional arrays of one length",
        )
    if len({point.name for point in points}) != len(points):
        raise InputError("alarm points of one name", found=[point.name for point in points], expected="a name each")
    state = state or ReplayState(tuple(point.start() for point in points))
    if len(state.points) != len(points):
        raise InputError("a state of other points", found=len(state.points), expected=f"{len(points)} point states")
    if not len(values):
        return _join(points, [], state, t_s, values)
    presses = _Presses(
        np.sort(np.asarray(resets_s, np.float64)), np.sort(np.asarray(acknowledges_s, np.float64)), tuple(inhibits_s)
    )
    parts = []
    if _as_is(t_s) and _as_is(values):
        part, state = _run(t_s, values, points, state, presses)
        parts.append((0, part))
    else:  # a layout that cannot be read in place: a small piece at a time is brought into one
        for first in range(0, len(values), _PIECE):
            piece = slice(first, first + _PIECE)
            part, state = _run(t_s[piece].astype(np.float64), values[piece].astype(np.float64), points, state, presses)
            parts.append((first, part))
    return _join(points, parts, state, t_s, values)


@dataclass(frozen=True, slots=True)
class _Presses:
    resets_s: NDArray[np.float64]
    acknowledges_s: NDArray[np.float64]
    inhibits_s: tuple[tuple[float, float], ...]

    def __bool__(self) -> bool:
        return bool(len(self.resets_s) or len(self.acknowledges_s) or self.inhibits_s)

    def at(self, t_s: NDArray[Any], last_t_s: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Samples at which something is pressed or an inhibit begins or ends, and what holds there."""
        resets = self._first_sample(self.resets_s, t_s, last_t_s)
        acknowledges = self._first_sample(self.acknowledges_s, t_s, last_t_s)
        windows = [np.searchsorted(t_s, window) for window in self.inhibits_s]
        bounds = [bound for window in windows for bound in window if bound < len(t_s)]
        at = np.unique(np.concatenate(([0], resets, acknowledges, bounds)).astype(np.int64))
        inhibited = np.zeros(len(at), np.bool_)
        for begin, end in windows:
            inhibited |= (at >= begin) & (at < end)
        press = np.isin(at, resets) * logic.RESET + np.isin(at, acknowledges) * logic.ACKNOWLEDGE
        return at, (press + inhibited * logic.INHIBIT).astype(np.int64)

    @staticmethod
    def _first_sample(pressed_s: NDArray[np.float64], t_s: NDArray[Any], last_t_s: float) -> NDArray[np.int64]:
        samples = np.searchsorted(t_s, pressed_s[pressed_s > last_t_s])
        return samples[samples < len(t_s)]


@functools.lru_cache(maxsize=256)
def _levels(points: tuple[AlarmPoint, ...]) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
    """The numbers of the points as `logic.run` takes them: levels, latching, falling."""
    falling = np.array([point.direction == "falling" for point in points], np.bool_)
    set_level = np.array([point.set_level for point in points], np.float64)
    clear_level = np.array([point.clear_level for point in points], np.float64)
    sign = np.where(falling, -1.0, 1.0)
    levels = np.array(
        [
            sign * set_level,
            sign * clear_level,
            [point.on_delay_s for point in points],
            [point.off_delay_s for point in points],
            [point.stale_s for point in points],
            np.where(falling, np.nextafter(set_level, np.inf), set_level),
            np.where(falling, np.nextafter(clear_level, np.inf), clear_level),
        ],
        np.float64,
    ).reshape(7, len(points))
    return levels, np.array([point.latching for point in points], np.bool_), falling


_Part = tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]


def _run(
    t_s: NDArray[Any], values: NDArray[Any], points: tuple[AlarmPoint, ...], state: ReplayState, presses: _Presses
) -> tuple[_Part, ReplayState]:
    levels, latching, falling = _levels(points)
    flags = np.array([point.flags for point in state.points], np.int64)
    timers = np.array([[s.since_s for s in state.points], [s.seen_s for s in state.points]], np.float64)
    if presses or any(point.inhibited for point in state.points):
        press_at, press = presses.at(t_s, state.last_t_s)
    else:
        press_at = press = _NOTHING
    room = _EDGE_ROOM + logic.EDGE_KINDS * len(points)
    out = np.empty((3, room), np.int64)
    parts = []
    sample = next_press = 0
    while sample < len(values):
        sample, next_press, count = logic.run(
            t_s,
            values,
            sample,
            press_at,
            press,
            next_press,
            levels,
            latching,
            falling,
            flags,
            timers,
            out[0],
            out[1],
            out[2],
        )
        parts.append(out[:, :count].copy())
    index, point, kind = np.concatenate(parts, axis=1)
    after = tuple(PointState(int(f), float(s), float(n)) for f, s, n in zip(flags, *timers, strict=True))
    return (index, point, kind), ReplayState(after, float(t_s[-1]))


def _join(
    points: tuple[AlarmPoint, ...], parts: list[tuple[int, _Part]], state: ReplayState, t_s: Any, values: Any
) -> Edges:
    index = np.concatenate([_NOTHING, *(part[0] + first for first, part in parts)])
    point = np.concatenate([_NOTHING, *(part[1] for _, part in parts)])
    kind = np.concatenate([_NOTHING, *(part[2] for _, part in parts)])
    return Edges(points, index, t_s[index].astype(np.float64), point, kind, values[index].astype(np.float64), state)


def _as_is(array: NDArray[Any]) -> bool:
    """Whether a kernel can read this array where it lies."""
    kind, size = array.dtype.kind, array.dtype.itemsize
    return array.dtype.isnative and array.flags.aligned and (kind in "iu" or (kind == "f" and size in (4, 8)))
