"""One leak followed: when each alarm comes, what starts and shuts, what a person breathes; and its strips."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from gaswitness.cli.output import print_json
from gaswitness.errors import OutOfDomain
from gaswitness.gases.hazards import DEFERRAL
from gaswitness.release.loop import Breathed, Outcome, Person, run_release
from gaswitness.release.montecarlo import Spread
from gaswitness.release.rooms import NEAR_THE_LEAK, Leak
from gaswitness.release.scene import Scene, reactions_of
from gaswitness.site import Site


def follow(
    site: Site,
    scenes: Sequence[Scene],
    leak_kg_h: float,
    burst_kg: float,
    spread: Spread,
    out: Path | None,
    *,
    as_json: bool,
) -> None:
    """Let the gas out in each scene, with everything working, and tell what follows."""
    if not (
        leak_kg_h >= 0.0 and burst_kg >= 0.0 and leak_kg_h + burst_kg > 0.0 and math.isfinite(leak_kg_h + burst_kg)
    ):
        raise OutOfDomain(
            "a leak lets gas out", where="--leak-kg-h", found=(leak_kg_h, burst_kg), expected="above 0 kg/h"
        )
    told = []
    for scene in scenes:
        kg_m3 = scene.charge_kg / scene.charge_m3
        left_kg = max(scene.charge_kg - burst_kg, 0.0)
        end_s = left_kg / leak_kg_h * 3600.0 if leak_kg_h else 0.0
        burst_m3 = min(burst_kg, scene.charge_kg) / kg_m3
        leak = Leak(scene.leak_zones[0], leak_kg_h / 3600.0 / kg_m3, 0.0, end_s, burst_m3=burst_m3)
        outcome = run_release(
            scene.network,
            [leak],
            watches=scene.watches,
            reactions=reactions_of(scene),
            duration_s=spread.duration_s,
            step_s=spread.step_s,
        )
        person = Person(scene.person_zone, tuple(outcome.set_s), spread.reaction_s)
        told.append((scene, outcome, outcome.breathed(person, above_ppm=scene.idlh_ppm)))
    if out is not None:
        _draw(told, out)
    if as_json:
        print_json({"leaks": [_document(*one) for one in told], "warnings": [NEAR_THE_LEAK, DEFERRAL]})
    else:
        _show(site, told, leak_kg_h, burst_kg, spread)


def _burns_s(scene: Scene, outcome: Outcome) -> float | None:
    return outcome.reaches_s(scene.flammable_ppm) if math.isfinite(scene.flammable_ppm) else None


def _document(scene: Scene, outcome: Outcome, breathed: Breathed) -> dict[str, Any]:
    return {
        "area": scene.area,
        "gas": scene.gas.key,
        "set_s": outcome.set_s,
        "on_s": outcome.on_s,
        "leak_closed_s": outcome.leak_closed_s,
        "flammable_s": _burns_s(scene, outcome),
        "highest_ppm": {
            zone.name: float(level) for zone, level in zip(scene.network.zones, outcome.ppm.max(axis=0), strict=True)
        },
        "person": {
            "leaves_s": breathed.leaves_s,
            "peak_ppm": breathed.peak_ppm,
            "dose_ppm_s": breathed.dose_ppm_s,
            "stel_15min_ppm": breathed.stel_ppm,
            "twa_8h_ppm": breathed.twa_ppm,
            "above_idlh_s": breathed.above_s if math.isfinite(scene.idlh_ppm) else None,
        },
    }


def _show(
    site: Site, told: list[tuple[Scene, Outcome, Breathed]], leak_kg_h: float, burst_kg: float, spread: Spread
) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console(highlight=False, markup=False)
    for scene, outcome, breathed in told:
        burst = f" after {burst_kg:g} kg at once" if burst_kg else ""
        console.print(Text(f"{scene.area}: {leak_kg_h:g} kg/h {scene.gas.key}{burst}", style="bold"))
        events = [(time, f"{name} sets") for name, time in outcome.set_s.items() if time is not None]
        events += [(time, f"{name} is on") for name, time in outcome.on_s.items() if time is not None]
        if outcome.leak_closed_s is not None:
            events.append((outcome.leak_closed_s, "the leak is shut"))
        if (burns_s := _burns_s(scene, outcome)) is not None:
            events.append((burns_s, f"a zone reaches the lowest LFL, {scene.flammable_ppm / 1e4:.3g} %vol"))
        if breathed.leaves_s is not None:
            events.append((breathed.leaves_s, "people have left"))
        grid = Table.grid(padding=(0, 2))
        grid.add_column(justify="right")
        grid.add_column()
        for time, what in sorted(events, key=lambda event: event[0]):
            grid.add_row(f"{time:.0f} s", what)
        console.print(grid)
        never = [name for name, time in outcome.set_s.items() if time is None]
        if never or not outcome.set_s:
            console.print(
                f"  within {spread.duration_s / 60:.0f} min never set: {', '.join(never) or 'no detector sees it'}"
            )
        for zone, level in zip(scene.network.zones, outcome.ppm.max(axis=0), strict=True):
            console.print(f"  highest in {zone.name}: {level:.0f} ppm")
        stays = "stays: no alarm comes" if breathed.leaves_s is None else "until then"
        idlh = f", {breathed.above_s:.0f} s above the IDLH" if math.isfinite(scene.idlh_ppm) else ""
        console.print(
            f"  a person in {scene.person_zone} ({stays}): peak {breathed.peak_ppm:.0f} ppm, "
            f"15 min mean {breathed.stel_ppm:.0f} ppm, 8 h mean {breathed.twa_ppm:.1f} ppm{idlh}\n"
        )
    console.print(f"{site.name}; everything works as described.", style="dim")
    console.print(NEAR_THE_LEAK)
    console.print(DEFERRAL)


def _draw(told: list[tuple[Scene, Outcome, Breathed]], path: Path) -> None:
    """Strips: level in each zone, readings, set points, and when each alarm came."""
    import matplotlib as mpl

    mpl.use("agg")
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(len(told), 1, figsize=(8.3, 3.0 * len(told) + 0.6), squeeze=False)
    for axis, (scene, outcome, _) in zip(axes[:, 0], told, strict=True):
        minutes = outcome.t_s / 60.0
        own = [(column, watch) for column, watch in enumerate(scene.watches) if watch.sight.slope > 0.0]
        for position, zone in enumerate(scene.network.zones):
            style = ("-", "--", "-.", ":")[position % 4]
            axis.plot(minutes, outcome.ppm[:, position], style, color="#333333", linewidth=1.3, label=zone.name)
        for column, watch in own:
            axis.plot(minutes, outcome.readings[:, column], color="#9a9a9a", linewidth=1.0, label=f"{watch.tag} shows")
        points = sorted({(point.set_level, point.name) for _, watch in own for point in watch.points})
        for set_ppm, name in points:
            axis.axhline(set_ppm, color="#cccccc", linewidth=0.8)
            axis.annotate(name, (1.01, set_ppm), xycoords=("axes fraction", "data"), fontsize=7, va="center")
        for _, watch in own:
            for point in watch.points:
                if (set_s := outcome.set_s[f"{watch.tag}.{point.name}"]) is not None:
                    axis.plot([set_s / 60.0], [point.set_level], "^", color="#D55E00", markersize=6)
        highest = max([float(np.max(outcome.ppm)), 1.0, *(level for level, _ in points)])
        lowest = min([level for level, _ in points], default=highest / 100.0)
        axis.set_yscale("log")
        axis.set_ylim(lowest / 5.0, 2.0 * highest)
        axis.yaxis.set_major_formatter("{x:g}")
        axis.set_xlim(0.0, float(minutes[-1]))
        axis.set_ylabel(f"{scene.gas.key}, ppm")
        axis.legend(fontsize=7, frameon=False, loc="lower right", ncols=3)
        axis.spines[["top", "right"]].set_visible(False)
        axis.set_title(f"{scene.area} (triangle: the alarm sets)", loc="left", fontsize=10, color="#333333")
    axes[-1, 0].set_xlabel("time from the start of the leak, min")
    figure.tight_layout()
    figure.savefig(path)
    plt.close(figure)
