"""The alarm logic itself: what one reading, one press or one inhibit does to an alarm point, and the same over arrays.

`transition` is used as it stands by the streaming machine, and compiled by the replay, so that the two cannot drift
apart. It sees everything as a rising alarm: reading and levels of a falling one are multiplied by -1, which is exact.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from gaswitness.kernels import kernel

# What a point remembers, as bits of one integer.
ON = 1  # the condition stands, delays and deadband taken into account
LATCHED = 2  # the alarm holds until it is reset
UNACKNOWLEDGED = 4  # nobody has acknowledged it yet
PENDING = 8  # an on-delay or off-delay runs since `since_s`
INHIBITED = 16  # held back from annunciating

# What a step can bring about, as bits in the order in which they are told.
ACKNOWLEDGED_EDGE = 1
SET_EDGE = 2
RECURRED_EDGE = 4  # the condition came back while the latch held
RETURNED_EDGE = 8  # the condition went away and the latch holds
CLEAR_EDGE = 16
EDGE_KINDS = 5

# What people do between two samples, as bits; a step takes them all.
RESET = 1
ACKNOWLEDGE = 2
INHIBIT = 4  # whether it is inhibited from here on

BLOCK = 1024
"""Samples looked at together: few enough to stay in the nearest cache, many enough to be quick."""


@kernel
def transition(
    flags: int,
    since_s: float,
    seen_s: float,
    t_s: float,
    value: float,
    set_level: float,
    clear_level: float,
    on_delay_s: float,
    off_delay_s: float,
    stale_s: float,
    latching: bool,
    reset: bool,
    acknowledge: bool,
    inhibited: bool,
) -> tuple[int, float, float, int]:
    """Flags, start of the running delay, last sample seen in it, and edges after one step.

    The order within a step: presses first, on what stood before (nobody acknowledges what is not there yet, and reset
    acts only on a condition that is gone already), then the reading, then the inhibit.
    """
    was_active = (flags & (ON | LATCHED)) != 0 and (flags & INHIBITED) == 0
    was_latched = (flags & LATCHED) != 0
    edges = 0
    if acknowledge and flags & UNACKNOWLEDGED:
        flags &= ~UNACKNOWLEDGED
        edges |= ACKNOWLEDGED_EDGE
    if reset and (flags & ON) == 0:
        flags &= ~LATCHED

    if value == value:  # NaN is no sample: it neither sets nor clears nor ends a delay
        on = (flags & ON) != 0
        if (value < clear_level) if on else (value >= set_level):
            if (flags & PENDING) == 0 or t_s - seen_s > stale_s:  # what was not measured has not persisted
                flags |= PENDING
                since_s = t_s
            seen_s = t_s
            if t_s - since_s >= (off_delay_s if on else on_delay_s):
                flags &= ~PENDING
                if on:
                    flags &= ~ON
                    if flags & LATCHED:
                        edges |= RETURNED_EDGE
                else:
                    flags |= ON | UNACKNOWLEDGED
                    if was_latched:
                        edges |= RECURRED_EDGE
                    if latching:
                        flags |= LATCHED
        else:
            flags &= ~PENDING
        if (flags & PENDING) == 0:
            since_s = 0.0
            seen_s = 0.0

    flags = flags | INHIBITED if inhibited else flags & ~INHIBITED

    active = (flags & (ON | LATCHED)) != 0 and not inhibited
    if active and not was_active:
        edges |= SET_EDGE
    if was_active and not active:
        edges |= CLEAR_EDGE
    return flags, since_s, seen_s, edges


@kernel
def quiet(values: NDArray[Any], low: float, high: float) -> bool:
    """Whether every sample that is one lies in `low <= value < high`."""
    outside = 0
    for k in range(len(values)):  # by index: so it becomes vector instructions, iterating it does not
        outside += (values[k] >= high) | (values[k] < low)
    return outside == 0


@kernel
def quiet_band(
    flags: NDArray[np.int64], set_from: NDArray[np.float64], clear_from: NDArray[np.float64], falling: NDArray[np.bool_]
) -> tuple[float, float]:
    """The band of readings that change nothing at any point: `low <= value < high`; empty while a delay runs.

    `set_from` and `clear_from` are the levels brought to this form: a falling alarm sets at `value <= level`, which
    is `value < next number above level`.
    """
    low = -np.inf
    high = np.inf
    for p in range(len(flags)):
        if flags[p] & PENDING:
            return np.inf, -np.inf
        on = (flags[p] & ON) != 0
        level = clear_from[p] if on else set_from[p]
        if on != falling[p]:
            low = max(low, level)
        else:
            high = min(high, level)
    return low, high


@kernel
def run(
    t_s: NDArray[Any],
    values: NDArray[Any],
    start: int,
    press_at: NDArray[np.int64],
    press: NDArray[np.int64],
    next_press: int,
    levels: NDArray[np.float64],
    latching: NDArray[np.bool_],
    falling: NDArray[np.bool_],
    flags: NDArray[np.int64],
    timers: NDArray[np.float64],
    edge_index: NDArray[np.int64],
    edge_point: NDArray[np.int64],
    edge_kind: NDArray[np.int64],
) -> tuple[int, int, int]:
    """Take all points through the samples from `start`; returns the next sample, the next press, and edges written.

    Blocks of samples that can change nothing are passed over; everywhere else each sample goes through `transition`.
    Stops early where the edge arrays, each at least `EDGE_KINDS` times the points long, are nearly full.

    `press_at` are samples (rising) at which `press` holds. `levels` has rows set level, clear level (both times sign),
    on-delay, off-delay, stale time, set level and clear level for `quiet_band`, and a column per point; `flags` and
    `timers` (rows: since, seen) are the state, written in place.
    """
    count = 0
    room = len(edge_index) - EDGE_KINDS * len(flags)
    low, high = quiet_band(flags, levels[5], levels[6], falling)
    i = start
    while i < len(values):
        stop = min(i + BLOCK, len(values))
        pressed = False
        if next_press < len(press_at):
            pressed = press_at[next_press] == i
            if not pressed:
                stop = min(stop, press_at[next_press])
        if pressed:
            stop = i + 1
        elif low < high and quiet(values[i:stop], low, high):
            i = stop
            continue
        while i < stop:
            value = float(values[i])
            if low < high and not pressed and not (value >= high or value < low):
                i += 1
                continue
            if count > room:
                return i, next_press, count
            changed = False
            for p in range(len(flags)):
                before = flags[p]
                inhibited = (before & INHIBITED) != 0
                reset = False
                acknowledge = False
                if pressed:
                    reset = (press[next_press] & RESET) != 0
                    acknowledge = (press[next_press] & ACKNOWLEDGE) != 0
                    inhibited = (press[next_press] & INHIBIT) != 0
                sign = -1.0 if falling[p] else 1.0
                after, since_s, seen_s, edges = transition(
                    before,
                    timers[0, p],
                    timers[1, p],
                    float(t_s[i]),
                    sign * value,
                    levels[0, p],
                    levels[1, p],
                    levels[2, p],
                    levels[3, p],
                    levels[4, p],
                    latching[p],
                    reset,
                    acknowledge,
                    inhibited,
                )
                flags[p] = after
                timers[0, p] = since_s
                timers[1, p] = seen_s
                changed = changed or after != before
                for kind in range(EDGE_KINDS):
                    if edges >> kind & 1:
                        edge_index[count] = i
                        edge_point[count] = p
                        edge_kind[count] = kind
                        count += 1
            if changed:
                low, high = quiet_band(flags, levels[5], levels[6], falling)
            i += 1
        if pressed:
            next_press += 1
    return i, next_press, count
