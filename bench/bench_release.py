"""Releases in rooms: scenarios a second against a general ODE solver at equal accuracy, and memory."""

from __future__ import annotations

import re
import subprocess
import sys
from time import perf_counter

import numpy as np
from scipy.integrate import solve_ivp

from gaswitness.alarms import AlarmPoint
from gaswitness.gases import gas
from gaswitness.release.loop import Sight, Watch
from gaswitness.release.montecarlo import Spread, draw, study
from gaswitness.release.rooms import Flow, Network, Zone, exchange
from gaswitness.release.scene import Scene, Trigger
from gaswitness.response import SensorPath

SCENARIOS = 100_000


def scene() -> Scene:
    """Four zones, six detectors with two points each, a fan and a valve; carbon dioxide."""
    layers = exchange("floor", "upper", 0.05)
    normal = (Flow("outside", "upper", 0.1), Flow("upper", "floor", 0.1), Flow("floor", "outside", 0.1))
    rush = (Flow("outside", "upper", 0.8), Flow("upper", "floor", 0.8), Flow("floor", "outside", 0.8))
    zones = (Zone("floor", 30.0, "upper"), Zone("upper", 60.0), Zone("corridor", 80.0), Zone("store", 40.0))
    open_ways = (
        *exchange("upper", "corridor", 0.03),
        *exchange("corridor", "store", 0.02),
        *exchange("corridor", "outside", 0.1),
    )
    points = (AlarmPoint("low", 5000.0, latching=True), AlarmPoint("high", 30_000.0, on_delay_s=2.0, latching=True))
    watches = tuple(
        Watch(f"D{i}", zone, SensorPath.from_t90(60.0 + 10.0 * i, 5.0), points, Sight(420.0, 1.0 - 420e-6))
        for i, zone in enumerate(("floor", "floor", "upper", "upper", "corridor", "store"))
    )
    lows, highs = tuple(f"D{i}.low" for i in range(6)), tuple(f"D{i}.high" for i in range(6))
    return Scene(
        area="bench",
        gas=gas("CO2"),
        charge_m3=50.0,
        charge_kg=90.0,
        network=Network(zones, (*open_ways, *layers, *normal)),
        normal=normal,
        emergency=rush,
        layers=layers,
        leak_zones=("floor", "upper"),
        person_zone="upper",
        occupied=True,
        watches=watches,
        triggers=(Trigger("FAN", "fan", lows, 1, 1.0), Trigger("VALVE", "valve", highs, 2, 1.0)),
        flammable_ppm=float("inf"),
        idlh_ppm=40_000.0,
        blind=(),
    )


def _ode(where: Scene, leak_m3_s: float, tau_s: np.ndarray) -> float:
    """One scenario without alarms by the general solver, to 1e-8: air and six lags."""
    rates, _, _ = where.network.rates_per_s()
    more, _, _ = Network(where.network.zones).rates_per_s(leak_m3_s, "floor")
    source = np.array([leak_m3_s / 30.0, 0.0, 0.0, 0.0])
    zone = [where.network.index(watch.zone) for watch in where.watches]

    def slope(_t: float, y: np.ndarray) -> np.ndarray:
        return np.concatenate([(rates + more) @ y[:4] + source, (y[zone] - y[4:]) / tau_s])

    begin = perf_counter()
    solve_ivp(slope, (0.0, 3600.0), np.zeros(10), "DOP853", np.arange(1.0, 3601.0), rtol=1e-8, atol=1e-12)
    return perf_counter() - begin


def _whole_process_mb(scenarios: int) -> float:
    """Greatest resident memory of a process that runs so many, the compiler's share included.

    Of its own: what the system counts for a child by other ways includes the parent that it was forked from.
    """
    words = (
        "from pathlib import Path\n"
        "from bench.bench_release import scene\n"
        "from gaswitness.release.montecarlo import study\n"
        f"study(scene(), scenarios={scenarios}, seed=1)\n"
        "print(Path('/proc/self/status').read_text())\n"
    )
    said = subprocess.run([sys.executable, "-c", words], capture_output=True, text=True, check=True).stdout
    return int(re.search(r"VmHWM:\s+(\d+) kB", said)[1]) * 1024 / 1e6


def rows() -> list[dict]:
    """What `python -m bench` prints."""
    where, spread = scene(), Spread()
    study(where, spread, scenarios=64, seed=1)
    times = []
    for _ in range(3):
        begin = perf_counter()
        study(where, spread, scenarios=SCENARIOS, seed=1)
        times.append(perf_counter() - begin)
    ours = float(np.median(times))
    draws = draw(where, spread, 1, 0, 0, 3)
    peer = float(np.median([_ode(where, float(draws.leak_m3_s[i]), draws.tau_s[i]) for i in range(3)]))
    few_mb, many_mb = _whole_process_mb(SCENARIOS // 10), _whole_process_mb(10 * SCENARIOS)
    return [
        {
            "what": f"release: {SCENARIOS} scenarios x 4 zones x 1 h x 6 detectors at 1 s",
            "this_s": ours,
            "peer": "scipy solve_ivp DOP853, same scenarios",
            "peer_s": peer * SCENARIOS,
            "ratio": peer * SCENARIOS / ours,
            "limit": "10 s on 2 cores, 500 x",
            "memory_mb": many_mb,
            "note": f"peer: median of 3 scenarios, scaled; memory: the whole process with {10 * SCENARIOS:,} "
            f"scenarios, by the system; {few_mb:.0f} MB with {SCENARIOS // 10:,}; limit 500 MB",
        }
    ]
