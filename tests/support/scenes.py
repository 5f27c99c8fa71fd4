"""A whole trial of detector A written by hand: a first-order answer to gas, and everything that follows from it.

reading(t) = 600 + 24,400 (1 - exp(-(t - 105) / 20)) ppm with gas on at 100 s and 5 s of dead time; from 345 s on it
falls back with the same time constant. By hand: 5,000 ppm is passed at 105 + 20 ln(24400/20000) = 108.98 s, 15,000 ppm
at 105 + 20 ln(24400/10000) = 122.84 s, 90 % at 105 + 20 ln 10 = 151.05 s; 12,000 ppm on the way down at
345 + 20 ln(24400/11400) = 360.22 s, 4,000 ppm at 345 + 20 ln(24400/3400) = 384.42 s.
"""

from __future__ import annotations

import math
from typing import Any

from gaswitness.plan.records import Criterion, Step
from gaswitness.site.records import Site
from support.ledgers import Scene, small_plan

GAS_ON_S, GAS_OFF_S, END_S = 100.0, 340.0, 560.0
ROOM_PPM, BOTTLE_PPM, TAU_S, DEAD_S = 600.0, 25000.0, 20.0, 5.0


def answer(t_s: float, *, tau_s: float = TAU_S, bottle_ppm: float = BOTTLE_PPM) -> float:
    """The reading of a sound detector, rounded to its display."""
    on, off = t_s - GAS_ON_S - DEAD_S, t_s - GAS_OFF_S - DEAD_S
    level = ROOM_PPM
    if on > 0:
        level += (bottle_ppm - ROOM_PPM) * -math.expm1(-min(on, on - max(off, 0.0)) / tau_s)
    if off > 0:
        level = ROOM_PPM + (level - ROOM_PPM) * math.exp(-off / tau_s)
    return 10.0 * round(level / 10.0)


def still(_: float) -> float:
    """The reading of a detector to which nothing happens."""
    return ROOM_PPM


def sound(
    *criteria: Criterion,
    site: Site | None = None,
    steps: tuple[Step, ...] = (),
    without: tuple[str, ...] = (),
    reading: Any = answer,
    other: Any = still,
) -> Scene:
    """A trial in which everything is as it should be, save for what is left out or put in its place."""
    scene = Scene(small_plan(criteria, site=site, steps=steps))
    scene.step("A/zero", 40.0, 95.0).step("A/gas-on", 95.0, GAS_ON_S).step("A/await-plateau", 101.0, 335.0)
    scene.step("A/gas-off", 336.0, GAS_OFF_S).step("A/recover", 341.0, 480.0)
    scene.gas(GAS_ON_S, GAS_OFF_S)
    scene.readings(reading, 0.0, END_S).readings(other, 0.0, END_S, tag="B")
    # a panel that scans twice a second, polled every second: the poll after the scan after the crossing
    signals = {
        "A.low": (110.0, 385.0),
        "A.high": (124.0, 361.0),
        "A.fault": (502.0, 512.0),
        "B.low": (),
        "B.high": (),
        "B.fault": (),
        "LAMP-1.on": (110.0, 385.0),
        "LAMP-2.on": (),
        "BEACON.on": (110.0, 385.0),
        "FAN.on": (124.0, 361.0),
    }
    for signal, edges_s in signals.items():
        if signal not in without:
            scene.status(signal, *edges_s)
    for signal, on_s, pattern in (
        ("LAMP-1.on", 110.0, "steady"),
        ("BEACON.on", 110.2, "flashing"),
        ("FAN.on", 125.0, None),
    ):
        if f"mark {signal}" not in without:
            scene.mark(signal, on_s, pattern=pattern)
            scene.mark(signal, on_s + 250.0, on=False)
    scene.step("A/fault", 500.0, 505.0).press("fault-made", 501.0, "A")
    return scene.step("A/mend", 510.0, 513.0).press("fault-undone", 511.0, "A")
