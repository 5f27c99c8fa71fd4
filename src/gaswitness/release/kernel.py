"""Many releases in the same rooms: exact steps of the air, detectors, alarms, fans and valves, scenario by scenario.

Arrays in, arrays out. Indices: s scenario, z zone, d detector, p alarm point, t trigger, k leak place, a state of the
fans. All levels are volume fractions. For one step of h seconds with constant coefficients, x' = A x + b,

    x(h) = P x + h F b,   mean over the step = F x + h G b,
    P = sum (A h)^i / i!,  F = sum (A h)^i / (i+1)!,  G = sum (A h)^i / (i+2)!

whose series are summed until they no longer change; `h |A|` must not exceed one (checked by the caller). A detector's
lag, and the dose, take the mean: each is a row r(h) = a r + w x + c. Air, lags and dose together are one linear map.

Nobody needs to look at every step. If the map would change the state by u in the next step, then after m steps it has
changed by S u with S = 1 + M + ... + M^(m-1). No element of M is negative, so on the way no level can rise by more than
S u+ nor fall by more than S u-, u+ and u- being the rising and the falling parts of u. Where that bound reaches no set
point (and no other level that is asked about), the m steps are taken in one; else half as many are tried, down to
single steps. S is made for m = 1, 2, 4 ... by doubling. The result is that of single steps, to rounding.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gaswitness.kernels import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

TERMS = 18
LEVELS = 14
"""Doublings: at most 2^13 steps are taken in one."""
SAME = 1.0 + 1e-9
"""Two levels within this factor are one."""


@kernel
def propagate(rates: Floats, h: float, P: Floats, F: Floats, G: Floats) -> None:  # noqa: N803 - as in the equations
    """Fill P, F and G of shape (z, z) for one step."""
    count = rates.shape[0]
    term = np.eye(count)
    P[:] = term
    F[:] = term
    G[:] = 0.5 * term
    scale_f, scale_g = 1.0, 0.5
    for i in range(1, TERMS):
        following = np.zeros((count, count))
        for r in range(count):
            for c in range(count):
                total = 0.0
                for m in range(count):
                    total += term[r, m] * rates[m, c]
                following[r, c] = total * h / i
        term = following
        scale_f = 1.0 / (i + 1.0)
        scale_g = scale_f / (i + 2.0)
        for r in range(count):
            for c in range(count):
                P[r, c] += term[r, c]
                F[r, c] += term[r, c] * scale_f
                G[r, c] += term[r, c] * scale_g


@kernel
def _double(
    power: Floats, total: Floats, own: Floats, own_total: Floats, take: Floats, take_total: Floats, level: int
) -> None:
    """From the map of 2^level steps to that of twice as many; all arrays have the level first.

    M is kept as `power` (z, z) for the air and rows (`own`, `take` (z)); S as `total`, `own_total`, `take_total`.
    """
    zones, rows = power.shape[1], own.shape[1]
    for r in range(zones):
        for c in range(zones):
            squared, summed = 0.0, total[level, r, c]
            for m in range(zones):
                squared += power[level, r, m] * power[level, m, c]
                summed += power[level, r, m] * total[level, m, c]
            power[level + 1, r, c], total[level + 1, r, c] = squared, summed
    for r in range(rows):
        a = own[level, r]
        own[level + 1, r] = a * a
        own_total[level + 1, r] = own_total[level, r] * (1.0 + a)
        for c in range(zones):
            following = a * take[level, r, c]
            summed = take_total[level, r, c] * (1.0 + a)
            for m in range(zones):
                following += take[level, r, m] * power[level, m, c]
                summed += take[level, r, m] * total[level, m, c]
            take[level + 1, r, c], take_total[level + 1, r, c] = following, summed


@kernel
def _nth_smallest(values: Floats, n: int) -> float:
    """The n-th smallest, counted from one."""
    smallest = -np.inf
    for _ in range(n):
        following = np.inf
        equal = 0
        for value in values:
            if value > smallest:
                following = min(following, value)
        for value in values:
            if value == following:
                equal += 1
        smallest = following
        n -= equal
        if n <= 0:
            return float(smallest)
    return float(smallest)


@kernel
def releases(
    h: float,
    steps: int,
    air: Floats,
    mixing: Floats,
    displaced: Floats,
    source: Floats,
    leak_place: Ints,
    leak_m3_s: Floats,
    leak_steps: Ints,
    mix_m3_s: Floats,
    fans: Ints,
    valve_works: Bools,
    detector_zone: Ints,
    tau_s: Floats,
    works: Bools,
    point_detector: Ints,
    set_level: Floats,
    on_delay_s: Floats,
    dead_s: Floats,
    member: Bools,
    need: Ints,
    delay_s: Floats,
    is_valve: Bools,
    reaction_s: float,
    person_zone: int,
    above: float,
    flammable: float,
    set_s: Floats,
    nearest: Floats,
    breathed: Floats,
    burns_s: Floats,
) -> None:
    """Run every scenario.

    In: `air` (a, 2, z, z) [1/s], normal and emergency; `mixing` (z, z) per m3/s of exchange; `displaced` (k, z, z) and
    `source` (k, z) per m3/s of leak; `leak_place`, `leak_m3_s`, `leak_steps`, `mix_m3_s`, `fans`, `valve_works` (s);
    `detector_zone` (d); `tau_s`, `works` (s, d); `point_detector`, `set_level`, `on_delay_s`, `dead_s` (p); for each
    trigger `member` (t, p), `need`, `delay_s`, `is_valve` (t): so many of its points start the fan, or shut the leak.
    People leave `reaction_s` after the first alarm.

    Out: `set_s` (s, p), infinite when not set; `nearest` (s), highest lagged level over set level among detectors that
    work; `breathed` (s, 3): peak, dose [s], time above `above` [s]; `burns_s` (s): first time that any zone is at or
    above `flammable`.
    """
    zones = mixing.shape[0]
    points = point_detector.shape[0]
    detectors = detector_zone.shape[0]
    triggers = need.shape[0]
    rows = detectors + 1  # the last one is the dose
    rates = np.empty((zones, zones))
    mean_of = np.empty((zones, zones))
    ramp_of = np.empty((zones, zones))
    power = np.empty((LEVELS, zones, zones))
    total = np.empty((LEVELS, zones, zones))
    own, own_total = np.empty((LEVELS, rows)), np.empty((LEVELS, rows))
    take, take_total = np.empty((LEVELS, rows, zones)), np.empty((LEVELS, rows, zones))
    add_x, add_row = np.empty(zones), np.empty(rows)
    x, up_x, down_x, rise_x, fall_x = (
        np.empty(zones),
        np.empty(zones),
        np.empty(zones),
        np.empty(zones),
        np.empty(zones),
    )
    row, up_row, down_row = np.empty(rows), np.empty(rows), np.empty(rows)
    rise_row, fall_row = np.empty(rows), np.empty(rows)
    follow = np.empty(detectors)
    since, queue = np.empty(points), np.empty(points, np.int64)
    per_set = 1.0 / set_level
    at_trigger = np.empty((triggers, points))
    for s in range(leak_m3_s.shape[0]):
        x[:] = 0.0
        row[:] = 0.0
        for d in range(detectors):
            follow[d] = -np.expm1(-h / tau_s[s, d]) if tau_s[s, d] > 0.0 else 1.0
        since[:] = -1.0
        waiting = 0
        for p in range(points):
            set_s[s, p] = np.inf
            if works[s, point_detector[p]]:
                queue[waiting] = p
                waiting += 1
        at_trigger[:] = np.inf
        fan_step, valve_step, leave_step = steps, steps, steps
        burns_s[s] = np.inf
        near, peak, over = 0.0, 0.0, 0
        k = leak_place[s]
        emergency_now, leaking_now, ready, level = -1, -1, 0, 0
        step = 0
        while step < steps:
            emergency = 1 if step >= fan_step else 0
            leaking = 1 if step < leak_steps[s] and step < valve_step else 0
            if emergency != emergency_now or leaking != leaking_now:
                emergency_now, leaking_now = emergency, leaking
                flow = leak_m3_s[s] * leaking
                for r in range(zones):
                    for c in range(zones):
                        rates[r, c] = (
                            air[fans[s], emergency, r, c] + mix_m3_s[s] * mixing[r, c] + flow * displaced[k, r, c]
                        )
                propagate(rates, h, power[0], mean_of, ramp_of)
                for r in range(rows):
                    zone = detector_zone[r] if r < detectors else person_zone
                    share = follow[r] if r < detectors else h
                    own[0, r] = 1.0 - follow[r] if r < detectors else 1.0
                    own_total[0, r] = 1.0
                    add_row[r] = 0.0
                    for c in range(zones):
                        take[0, r, c] = share * mean_of[zone, c]
                        take_total[0, r, c] = 0.0
                        add_row[r] += share * h * ramp_of[zone, c] * flow * source[k, c]
                for r in range(zones):
                    add_x[r] = 0.0
                    for c in range(zones):
                        add_x[r] += h * mean_of[r, c] * flow * source[k, c]
                        total[0, r, c] = 1.0 if r == c else 0.0
                ready, level = 0, 0
            for r in range(zones):
                change = add_x[r] - x[r]
                for c in range(zones):
                    change += power[0, r, c] * x[c]
                rise_x[r], fall_x[r] = max(change, 0.0), max(-change, 0.0)
            for r in range(rows):
                change = add_row[r] + (own[0, r] - 1.0) * row[r]
                for c in range(zones):
                    change += take[0, r, c] * x[c]
                rise_row[r], fall_row[r] = max(change, 0.0), max(-change, 0.0)
            until = steps
            if not emergency:
                until = min(until, max(fan_step, step + 1))
            if leaking:
                until = min(until, min(leak_steps[s], valve_step))
            present = step < leave_step
            if present:
                until = min(until, leave_step)
            level = min(level + 1, LEVELS - 1)
            while level > 0 and (1 << level) > until - step:
                level -= 1
            while True:
                while ready < level:
                    _double(power, total, own, own_total, take, take_total, ready)
                    ready += 1
                for r in range(zones):
                    up_x[r], down_x[r] = 0.0, 0.0
                    for c in range(zones):
                        up_x[r] += total[level, r, c] * rise_x[c]
                        down_x[r] += total[level, r, c] * fall_x[c]
                for r in range(rows):
                    up_row[r], down_row[r] = own_total[level, r] * rise_row[r], own_total[level, r] * fall_row[r]
                    for c in range(zones):
                        up_row[r] += take_total[level, r, c] * rise_x[c]
                        down_row[r] += take_total[level, r, c] * fall_x[c]
                if level == 0:
                    break
                calm = True
                for place in range(waiting):
                    p = queue[place]
                    d = point_detector[p]
                    if since[p] >= 0.0 or (row[d] + up_row[d]) * per_set[p] * SAME >= 1.0:
                        calm = False
                        break
                if calm and burns_s[s] == np.inf:
                    for r in range(zones):
                        if (x[r] + up_x[r]) * SAME >= flammable:
                            calm = False
                            break
                if calm and present:
                    here = x[person_zone]
                    most = here + up_x[person_zone]
                    if most > SAME * max(peak, max(here, most - down_x[person_zone])):
                        calm = False
                    elif here > above:
                        calm = here - down_x[person_zone] > above * SAME
                    else:
                        calm = most * SAME <= above
                if calm:
                    break
                level -= 1
            step += 1 << level
            now_s = step * h
            highest = 0.0
            for r in range(zones):
                x[r] += up_x[r] - down_x[r]
                highest = max(highest, x[r])
            for r in range(detectors):
                row[r] += up_row[r] - down_row[r]
            if highest >= flammable and burns_s[s] == np.inf:
                burns_s[s] = now_s
            if present:
                row[detectors] += up_row[detectors] - down_row[detectors]
                peak = max(peak, x[person_zone])
                if x[person_zone] > above:
                    over += 1 << level
            place = 0
            while place < waiting:
                p = queue[place]
                reached = row[point_detector[p]] * per_set[p]
                near = max(near, reached)
                if reached < 1.0:
                    since[p] = -1.0
                elif since[p] < 0.0:
                    since[p] = now_s
                if reached < 1.0 or now_s - since[p] < on_delay_s[p]:
                    place += 1
                else:
                    waiting -= 1
                    queue[place] = queue[waiting]
                    at_s = now_s + dead_s[p]
                    if at_s <= steps * h:
                        set_s[s, p] = at_s
                        leave_step = min(leave_step, int(np.floor((at_s + reaction_s) / h + 1e-9)))
                        for t in range(triggers):
                            if member[t, p]:
                                at_trigger[t, p] = at_s
                                called = (_nth_smallest(at_trigger[t], need[t]) + delay_s[t]) / h - 1e-9
                                if called >= steps:
                                    continue
                                if not is_valve[t]:
                                    fan_step = min(fan_step, int(np.ceil(called)))
                                elif valve_works[s]:
                                    valve_step = min(valve_step, int(np.ceil(called)))
            if waiting == 0 and step >= leave_step and (burns_s[s] < np.inf or flammable == np.inf):
                break  # nothing that is asked for can change any more
        nearest[s] = near
        breathed[s, 0], breathed[s, 1], breathed[s, 2] = peak, row[detectors], over * h
