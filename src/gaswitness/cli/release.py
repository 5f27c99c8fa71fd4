"""`gaswitness release SITE`: leaks in the rooms of a site, and what the detectors make of them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from gaswitness.release.montecarlo import AreaResult, Figures, Spread
    from gaswitness.release.places import Placed

DRAWN = (".pdf", ".png", ".svg", ".html")
"""Endings of what the times are drawn into."""


def release(
    site: Annotated[Path, typer.Argument(metavar="SITE", help="The site file.")],
    scenarios: Annotated[int, typer.Option("--scenarios", min=1, help="Leaks to try in each area.")] = 10_000,
    seed: Annotated[int, typer.Option("--seed", min=0, help="The same seed gives the same numbers.")] = 1,
    dask: Annotated[
        str | None, typer.Option("--dask", metavar="ADDRESS", help="Work on a Dask cluster: tcp://HOST:PORT, or local.")
    ] = None,
    choose: Annotated[
        int | None, typer.Option("--choose", min=1, help="Choose places for so many detectors in each area.")
    ] = None,
    within: Annotated[
        float, typer.Option("--within", help="Seconds within which a chosen place must see the leak.")
    ] = 300.0,
    failing: Annotated[float, typer.Option("--failing", help="Chance that a detector shows nothing.")] = 0.05,
    ageing: Annotated[float, typer.Option("--ageing", help="Median time constant over the stated one.")] = 1.0,
    out: Annotated[
        Path | None, typer.Option("--out", help="Draw the times into a .pdf or .png file, or a .html page.")
    ] = None,
    area: Annotated[str | None, typer.Option("--area", help="Only this area.")] = None,
    leak_kg_h: Annotated[
        float | None, typer.Option("--leak-kg-h", help="Follow one leak of this rate instead.")
    ] = None,
    burst_kg: Annotated[float, typer.Option("--burst-kg", help="With --leak-kg-h: comes at once at the start.")] = 0.0,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Leaks in rooms: probability of detection, time to each alarm, dose, what stays unseen, where to put detectors."""
    from contextlib import nullcontext
    from dataclasses import replace

    from gaswitness.errors import InputError
    from gaswitness.release.montecarlo import Spread, study
    from gaswitness.release.places import place_detectors
    from gaswitness.release.scene import scenes
    from gaswitness.site import read_site

    for option, value, low, high in (
        ("--failing", failing, 0.0, 1.0),
        ("--ageing", ageing, 0.01, 100.0),
        ("--within", within, 1.0, 1e6),
        ("--burst-kg", burst_kg, 0.0, 1e9),
    ):
        if not low <= value <= high:
            raise InputError(
                "a number that makes no sense here", where=option, found=value, expected=f"{low:g} to {high:g}"
            )
    if out is not None and out.suffix not in DRAWN:
        raise InputError("cannot be drawn", where="--out", found=out.name, expected=f"one of {', '.join(DRAWN)}")
    spread = Spread(detector_fails=failing, ageing=ageing)
    aim = replace(spread, duration_s=within)
    described = read_site(site)
    found = tuple(scene for scene in scenes(described) if area in (None, scene.area))
    if not found:
        raise InputError("no charge in that area", where="--area", found=area, expected="an area that holds a charge")
    if leak_kg_h is not None:
        from gaswitness.cli.release_one import follow

        follow(described, found, leak_kg_h, burst_kg, spread, out, as_json=as_json)
        return
    if dask is None:
        working: Any = nullcontext(None)
    else:
        from gaswitness.release.cluster import dask_mapper

        working = dask_mapper(dask)
    with working as mapper:
        results = [
            study(scene, spread, scenarios=scenarios, seed=seed, stream=stream, mapper=mapper)
            for stream, scene in enumerate(found)
        ]
        placed = [
            None
            if choose is None
            else place_detectors(scene, aim, choose, scenarios=scenarios, seed=seed, stream=stream, mapper=mapper)
            for stream, scene in enumerate(found)
        ]
    if out is not None:
        out.parent.mkdir(parents=True, exist_ok=True)
        if out.suffix == ".html":
            from gaswitness.cli.release_page import write_page

            write_page(results, spread, seed, out)
        else:
            from gaswitness.cli.release_plot import draw_times

            draw_times(results, spread, seed, out)
    if as_json:
        from gaswitness.cli.output import print_json

        print_json(_document(results, placed, spread, scenarios, seed))
    else:
        _show(results, placed, spread, scenarios, seed)


def _document(
    results: list[AreaResult], placed: list[Placed | None], spread: Spread, scenarios: int, seed: int
) -> dict[str, Any]:
    from dataclasses import asdict

    from gaswitness.gases.hazards import DEFERRAL
    from gaswitness.release.rooms import NEAR_THE_LEAK

    def soon(figures: Figures) -> dict[str, float | None]:
        return {"p50": figures.p50_s, "p95": figures.p95_s}

    return {
        "areas": [
            {
                "area": result.scene.area,
                "gas": result.scene.gas.key,
                "charge_kg": result.scene.charge_kg,
                "p_detect": result.detect.p,
                "u_p_detect": result.detect.u,
                "time_to_alarm_s": soon(result.detect),
                "undetected": [{"why": why, "share": count / result.scenarios} for why, count in result.undetected],
                "points": {
                    name: {"p": figures.p, "time_to_alarm_s": soon(figures)} for name, figures in result.points.items()
                },
                "importance": result.importance,
                "blind": list(result.scene.blind),
                "p_flammable": result.p_burns,
                "p_person_above_idlh": result.p_over_idlh,
                "mean_peak_ppm": result.mean_peak_ppm,
                "mean_dose_ppm_s": result.mean_dose_ppm_s,
                "places": None
                if where is None
                else {
                    "within_s": where.within_s,
                    "best": {"places": list(where.best), "p_detect": where.p_best},
                    "greedy": {"places": list(where.greedy), "p_detect": where.p_greedy},
                },
            }
            for result, where in zip(results, placed, strict=True)
        ],
        "seed": seed,
        "scenarios": scenarios,
        "assumed": asdict(spread),
        "warnings": [NEAR_THE_LEAK, DEFERRAL],
    }


def _time(seconds: float | None) -> str:
    if seconds is None:
        return "-"
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.1f} min"


def _show(results: list[AreaResult], placed: list[Placed | None], spread: Spread, scenarios: int, seed: int) -> None:
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from gaswitness.gases.hazards import DEFERRAL
    from gaswitness.release.rooms import NEAR_THE_LEAK

    console = Console(highlight=False, markup=False)
    minutes = spread.duration_s / 60.0
    console.print(f"{scenarios} leaks in each area, followed for {minutes:.0f} min, seed {seed}\n", style="dim")
    for result, where in zip(results, placed, strict=True):
        scene = result.scene
        console.print(Text(f"{scene.area}: {scene.charge_kg:g} kg {scene.gas.key}", style="bold"))
        table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, header_style="dim")
        for name in ("alarm", "seen", "half by", "95 % by", "without it"):
            table.add_column(name, justify="left" if name == "alarm" else "right")
        detect = result.detect
        table.add_row("any", f"{100 * detect.p:.2f} %", _time(detect.p50_s), _time(detect.p95_s), "")
        for name, figures in result.points.items():
            loss = result.importance[name.split(".")[0]]
            cells = (f"{100 * figures.p:.2f} %", _time(figures.p50_s), _time(figures.p95_s), f"-{100 * loss:.2f} %")
            table.add_row(name, *cells)
        console.print(table)
        for why, count in result.undetected:
            console.print(f"  unseen {100 * count / result.scenarios:.2f} %: {why}")
        for tag in scene.blind:
            console.print(f"  {tag} does not see {scene.gas.key}")
        console.print(
            f"  a person there: mean peak {result.mean_peak_ppm:.0f} ppm, "
            f"mean dose {result.mean_dose_ppm_s / 60:.0f} ppm min, "
            f"IDLH reached in {100 * result.p_over_idlh:.1f} % of the leaks; "
            f"a zone becomes flammable in {100 * result.p_burns:.1f} %"
        )
        if where is not None:
            console.print(f"  places that see most within {_time(where.within_s)}:")
            console.print(f"    best choice:  {', '.join(where.best)} ({100 * where.p_best:.2f} %)")
            console.print(f"    one by one:   {', '.join(where.greedy)} ({100 * where.p_greedy:.2f} %)")
        console.print()
    console.print(
        f"Assumed (common practice, no source): the whole charge leaks in {_time(spread.fastest_s)} to "
        f"{spread.slowest_s / 86400:.0f} days; a detector fails in {100 * spread.detector_fails:g} %, "
        f"the emergency fan in {100 * spread.fan_fails:g} %, a valve in {100 * spread.valve_fails:g} % of the leaks; "
        f"people leave {spread.reaction_s:.0f} s after the first alarm.",
        style="dim",
    )
    console.print(NEAR_THE_LEAK)
    console.print(DEFERRAL)
