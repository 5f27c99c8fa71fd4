"""The alarm logic itself: what one reading, one press or one inhibit does to one alarm point.

One function, used as it stands by the streaming machine and compiled by the replay, so that the two cannot drift
apart. Everything is seen as a rising alarm: the caller multiplies reading and levels of a falling one by -1, which
is exact.
"""

from __future__ import annotations

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

    The order within a step: acknowledge (one can only acknowledge what was already there), then the reading, then
    reset (which acts only on a condition that is gone), then the inhibit.
    """
    was_active = (flags & (ON | LATCHED)) != 0 and (flags & INHIBITED) == 0
    edges = 0
    if acknowledge and flags & UNACKNOWLEDGED:
        flags &= ~UNACKNOWLEDGED
        edges |= ACKNOWLEDGED_EDGE

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
                    if flags & LATCHED:
                        edges |= RECURRED_EDGE
                    if latching:
                        flags |= LATCHED
        else:
            flags &= ~PENDING
        if (flags & PENDING) == 0:
            since_s = 0.0
            seen_s = 0.0

    if reset and (flags & ON) == 0:
        flags &= ~LATCHED
    flags = flags | INHIBITED if inhibited else flags & ~INHIBITED

    active = (flags & (ON | LATCHED)) != 0 and not inhibited
    if active and not was_active:
        edges |= SET_EDGE
    if was_active and not active:
        edges |= CLEAR_EDGE
    return flags, since_s, seen_s, edges
