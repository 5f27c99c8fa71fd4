"""Many releases in the same rooms: exact steps of the air, detectors, alarms, fans and valves, scenario by scenario.

Arrays in, arrays out. Indices: s scenario, z zone, d detector, p alarm point, t trigger, k leak place, a state of the
fans. All levels are volume fractions. For one step of h seconds with constant coefficients, x' = A x + b,

    x(h) = P x + h F b,   mean over the step = F x + h G b,
    P = sum (A h)^i / i!,  F = sum (A h)^i / (i+1)!,  G = sum (A h)^i / (i+2)!

whose series are summed until they no longer change; `h |A|` must not exceed one (checked by the caller).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gaswitness.kernels import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

TERMS = 18


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
    rates = np.empty((zones, zones))
    P, F, G = np.empty((zones, zones)), np.empty((zones, zones)), np.empty((zones, zones))  # noqa: N806
    x, y, mean = np.empty(zones), np.empty(zones), np.empty(zones)
    add_x, add_mean = np.empty(zones), np.empty(zones)
    lagged, follow = np.empty(detectors), np.empty(detectors)
    since, queue = np.empty(points), np.empty(points, np.int64)
    per_set = 1.0 / set_level
    triggers = need.shape[0]
    at_trigger = np.empty((triggers, points))
    for s in range(leak_m3_s.shape[0]):
        x[:] = 0.0
        lagged[:] = 0.0
        for d in range(detectors):
            follow[d] = -np.expm1(-h / tau_s[s, d]) if tau_s[s, d] > 0.0 else 1.0
        since[:] = -1.0
        waiting = 0
        for p in range(points):
            set_s[s, p] = np.inf
            if works[s, point_detector[p]]:
                queue[waiting] = p
                waiting += 1
        fan_s, valve_s, leave_s = np.inf, np.inf, np.inf
        burns_s[s] = np.inf
        near, peak, dose, over_s = 0.0, 0.0, 0.0, 0.0
        at_trigger[:] = np.inf
        k = leak_place[s]
        emergency_now, leaking_now = -1, -1
        for step in range(steps):
            emergency = 1 if step * h >= fan_s else 0
            leaking = 1 if step < leak_steps[s] and step * h < valve_s else 0
            if emergency != emergency_now or leaking != leaking_now:
                emergency_now, leaking_now = emergency, leaking
                flow = leak_m3_s[s] * leaking
                for r in range(zones):
                    for c in range(zones):
                        rates[r, c] = (
                            air[fans[s], emergency, r, c] + mix_m3_s[s] * mixing[r, c] + flow * displaced[k, r, c]
                        )
                propagate(rates, h, P, F, G)
                for r in range(zones):
                    add_x[r], add_mean[r] = 0.0, 0.0
                    for c in range(zones):
                        add_x[r] += h * F[r, c] * flow * source[k, c]
                        add_mean[r] += h * G[r, c] * flow * source[k, c]
            highest = 0.0
            for r in range(zones):
                there, through = add_x[r], add_mean[r]
                for c in range(zones):
                    there += P[r, c] * x[c]
                    through += F[r, c] * x[c]
                y[r], mean[r] = there, through
                highest = max(highest, there)
            for r in range(zones):
                x[r] = y[r]
            now_s = (step + 1) * h
            if highest >= flammable and now_s < burns_s[s]:
                burns_s[s] = now_s
            if now_s <= leave_s:
                dose += mean[person_zone] * h
                peak = max(peak, x[person_zone])
                if x[person_zone] > above:
                    over_s += h
            for d in range(detectors):
                lagged[d] += follow[d] * (mean[detector_zone[d]] - lagged[d])
            place = 0
            while place < waiting:
                p = queue[place]
                level = lagged[point_detector[p]] * per_set[p]
                near = max(near, level)
                if level < 1.0:
                    since[p] = -1.0
                elif since[p] < 0.0:
                    since[p] = now_s
                if level < 1.0 or now_s - since[p] < on_delay_s[p]:
                    place += 1
                else:
                    waiting -= 1
                    queue[place] = queue[waiting]
                    at_s = now_s + dead_s[p]
                    if at_s <= steps * h:
                        set_s[s, p] = at_s
                        leave_s = min(leave_s, at_s + reaction_s)
                        for t in range(triggers):
                            if member[t, p]:
                                at_trigger[t, p] = at_s
                                called_s = _nth_smallest(at_trigger[t], need[t]) + delay_s[t]
                                if not is_valve[t]:
                                    fan_s = min(fan_s, called_s)
                                elif valve_works[s]:
                                    valve_s = min(valve_s, called_s)
            if waiting == 0 and now_s > leave_s and (burns_s[s] < np.inf or flammable == np.inf):
                break  # nothing that is asked for can change any more
        nearest[s] = near
        breathed[s, 0], breathed[s, 1], breathed[s, 2] = peak, dose, over_s
