"""Everything that is compiled, once with the compiler and once without: the same numbers."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from gaswitness.kernels import NO_NUMBA

SCRIPT = """
import contextlib, io, json, math, sys
import numpy as np
from gaswitness.alarms import AlarmPoint, replay
from gaswitness.cli.main import app
from gaswitness.exposure import exposure
from gaswitness.kernels import compiling
from gaswitness.response import LiveFit, SensorPath, fit_many, fit_step, response_figures
from gaswitness.response import round_to_resolution, step_curve

rng = np.random.default_rng(1)
t = np.arange(-20.0, 100.0, 2.0)
path = SensorPath(4.0, (15.0, 5.0))
noise = rng.normal(0.0, 3.0, t.size)
rise = step_curve(path, t, room_ppm=0.0, bottle_ppm=900.0) + noise
both = step_curve(path, t, room_ppm=0.0, bottle_ppm=900.0, gas_off_s=40.0) + noise

def fit(y, off=None, **how):
    found = fit_step(t, y, 0.0, off, **how)
    return [found.zero, found.plateau, found.t90_s, found.u_t90_s, found.rss, found.neighbours_z]

told = {
    "rise": fit(rise, drift=False),
    "one lag": fit(rise, order=1, drift=False),
    "recovery": fit(both, 40.0, drift=False),
    "tied": fit(both, 40.0, returns_to_zero=True, drift=False),
    "drift": fit(rise + 0.5 * t, drift=True),
    "cap and average": fit(rise, cap_tau_s=3.0, average_s=4.0, drift=False),
    "held": fit(rise, zero=0.0, dead_time_s=4.0, drift=False),
    "coarse": fit(round_to_resolution(rise, 20.0), resolution=20.0, drift=False),
    "cut off": fit(np.minimum(rise, 800.0), range_high=800.0, drift=False),
}
many = fit_many(t, np.array([rise, rise[::-1], rise + 5.0]), 0.0)
told["many"] = [*many.plateau, *many.t90_s, *many.u_t90_s]
live = LiveFit(0.0, levels=(450.0, 700.0))
for at, value in zip(t, rise):
    now = live.add(float(at), float(value))
told["live"] = [now.plateau, now.u_plateau, now.t90_s, now.wander, now.neighbours_z]
told["levels"] = [one.latest_s for one in now.levels]
told["late"] = [*now.late.at(0.1), now.late.share, now.late.u_share]
figures = response_figures(t, both, gas_on_s=0.0, gas_off_s=40.0)
told["figures"] = [figures.plateau.value, figures.t90.value, figures.t10.value]
values = np.cumsum(rng.normal(0.0, 3.0, 2000)) + 100.0
at_s = np.cumsum(rng.exponential(1.0, values.size))
points = [AlarmPoint("low", 120.0, deadband=7.0, on_delay_s=5.0), AlarmPoint("o2", 80.0, "falling", latching=True)]
edges = replay(at_s, values, points, resets_s=at_s[::97] + 0.1, inhibits_s=[(50.0, 300.0)])
told["replay"] = [*edges.t_s, *edges.kind, *edges.point]
breathed = exposure(at_s, values)
told["exposure"] = [breathed.peak, breathed.stel.average, breathed.twa.average]
said = io.StringIO()
with contextlib.redirect_stdout(said), contextlib.suppress(SystemExit):
    app(["release", sys.argv[1], "--scenarios", "6", "--seed", "2", "--json"])
areas = json.loads(said.getvalue())["areas"]
told["release"] = [
    number for area in areas for number in (area["p_detect"], *area["time_to_alarm_s"].values()) if number is not None
]
print(json.dumps([compiling(), "numba" in sys.modules, told], default=float))
"""


def told(repo: Path, off: str) -> tuple[bool, bool, dict[str, list[float]]]:
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, str(repo / "examples" / "ravensmoor.yaml")],
        env={**os.environ, NO_NUMBA: off}, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return tuple(json.loads(done.stdout.splitlines()[-1]))


def test_everything_gives_the_same_numbers_without_compiled_code(repo: Path) -> None:
    compiled, plain = told(repo, "0"), told(repo, "1")
    assert compiled[:2] == (True, True)
    assert plain[:2] == (False, False)
    for name, numbers in compiled[2].items():
        assert len(numbers) > 0, name
        assert np.isfinite([n for n in numbers if n is not None]).any(), name
        # whether a search stops a step earlier hangs on the last digit of a sum: figures then differ by 1e-7 of their u
        assert plain[2][name] == pytest.approx(numbers, rel=1e-6, abs=1e-9, nan_ok=True), name
    assert plain[2]["replay"] == compiled[2]["replay"]
    assert plain[2]["exposure"] == compiled[2]["exposure"]
