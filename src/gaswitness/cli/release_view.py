"""What came of many releases, as one JSON document and as tables in a terminal."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from gaswitness.cli.release_history import Responses
from gaswitness.gases.hazards import DEFERRAL
from gaswitness.release.montecarlo import AreaResult, Figures, Spread
from gaswitness.release.places import Placed
from gaswitness.release.rooms import NEAR_THE_LEAK
from gaswitness.release.scene import Scene
from gaswitness.release.siting import GREEDY_SHARE
from gaswitness.sentence import Figure, figure, opened, said
from gaswitness.wording import amount, number

HEADS = said("alarm | seen | half by | 95 % by | lost without it")
"""Of the table of alarms."""


def percent(share: float) -> str:
    """A share of all leaks, never rounded to none or to all of them.

    >>> percent(0.99846), percent(0.99998), percent(0.00002), percent(0.0), percent(1.0)
    ('99.85 %', '> 99.99 %', '< 0.01 %', '0 %', '100 %')
    """
    if 0.9999 < share < 1.0:
        return amount(Figure("> 99.99"), "%")
    if 0.0 < share < 0.0001:
        return amount(Figure("< 0.01"), "%")
    return amount(number(round(100.0 * share, 2)), "%")


def when(seconds: float | None) -> str:
    """A time after the start of a leak, or a dash where fewer leaks are ever seen.

    >>> when(44.0), when(1362.0), when(None)
    ('44 s', '22.7 min', '-')
    """
    if seconds is None:
        return "-"
    return amount(figure(seconds), "s") if seconds < 120 else amount(number(round(seconds / 60, 1)), "min")


def zone_word(name: str) -> str:
    """A zone as it is told: an area has one at the floor and one above it.

    >>> zone_word("PLANT:floor"), zone_word("GARAGE")
    ('PLANT:floor', 'GARAGE')
    """
    area, _, part = name.partition(":")
    match part:
        case "floor":
            return said("{area}:floor", area=area)
        case "upper":
            return said("{area}:upper", area=area)
        case _:
            return name


def heading(scene: Scene) -> str:
    """Which area, and how much of which gas it holds."""
    return said(
        "{area}: {charge} {gas}", area=scene.area, charge=amount(number(scene.charge_kg), "kg"), gas=scene.gas.key
    )


def lead(results: Sequence[AreaResult], spread: Spread, seed: int) -> str:
    """What was tried."""
    return said(
        "{count} leaks in each area, followed for {minutes} min; seed {seed}.",
        count=number(results[0].scenarios),
        minutes=number(spread.duration_s / 60),
        seed=seed,
    )


def remarks(result: AreaResult, drawn: str) -> tuple[str, ...]:
    """What stands below a picture: what is `drawn` of it, what stays unseen and why, and what follows for people."""
    scene, of = result.scene, result.scenarios
    return (
        *([drawn] if drawn else []),
        *(said("Unseen {share}: {why}.", share=percent(count / of), why=why) for why, count in result.undetected),
        *(said("{tag} does not see {gas}.", tag=tag, gas=scene.gas.key) for tag in scene.blind),
        *(said("{text}.", text=opened(line)) for line in consequences(result)),
    )


def document(
    results: Sequence[AreaResult], placed: Sequence[Placed | None], known: Responses, scenarios: int, seed: int
) -> dict[str, Any]:
    """What `--json` prints."""
    assumed = {name: value for name, value in asdict(known.spread).items() if name != "aged"}
    return {
        "areas": [_area(result, where) for result, where in zip(results, placed, strict=True)],
        "seed": seed,
        "scenarios": scenarios,
        "assumed": assumed,
        "response": known.document(),
        "warnings": [NEAR_THE_LEAK, DEFERRAL],
    }


def _area(result: AreaResult, where: Placed | None) -> dict[str, Any]:
    scene = result.scene
    return {
        "area": scene.area,
        "gas": scene.gas.key,
        "charge_kg": scene.charge_kg,
        "p_detect": result.detect.p,
        "u_p_detect": result.detect.u,
        "time_to_alarm_s": _soon(result.detect),
        "undetected": [{"why": why, "share": count / result.scenarios} for why, count in result.undetected],
        "points": {name: {"p": row.p, "time_to_alarm_s": _soon(row)} for name, row in result.points.items()},
        "importance": result.importance,
        "blind": list(scene.blind),
        "burns": math.isfinite(scene.flammable_ppm),
        "p_flammable": result.p_burns,
        "p_person_above_idlh": result.p_over_idlh if math.isfinite(scene.idlh_ppm) else None,
        "mean_peak_ppm": result.mean_peak_ppm,
        "mean_dose_ppm_s": result.mean_dose_ppm_s,
        "places": None
        if where is None
        else {
            "within_s": where.within_s,
            "best": {"places": list(where.best), "p_detect": where.p_best},
            "greedy": {
                "places": list(where.greedy),
                "p_detect": where.p_greedy,
                "never_below_share_of_best": GREEDY_SHARE,
            },
        },
    }


def _soon(figures: Figures) -> dict[str, float | None]:
    return {"p50": figures.p50_s, "p95": figures.p95_s}


def show(
    results: Sequence[AreaResult], placed: Sequence[Placed | None], known: Responses, scenarios: int, seed: int
) -> None:
    """Print the tables."""
    console = Console(highlight=False, markup=False)
    minutes = number(known.spread.duration_s / 60.0)
    console.print(f"{number(scenarios)} leaks in each area, followed for {minutes} min, seed {seed}\n", style="dim")
    for result, where in zip(results, placed, strict=True):
        scene = result.scene
        console.print(Text(heading(scene), style="bold"))
        console.print(_alarms(result))
        for why, count in result.undetected:
            console.print(f"  unseen {percent(count / result.scenarios)}: {why}")
        for tag in scene.blind:
            console.print(f"  {tag} does not see {scene.gas.key}")
        for line in consequences(result):
            console.print(f"  {line}")
        if where is not None:
            console.print(f"  places that see most within {when(where.within_s)}:")
            console.print(f"    best choice:  {', '.join(where.best)} ({percent(where.p_best)}), exact")
            console.print(
                f"    one by one:   {', '.join(where.greedy)} ({percent(where.p_greedy)}), "
                f"never below {GREEDY_SHARE:.0%} of the best"
            )
        console.print()
    for line in (*responding(known), assumptions(known.spread)):
        console.print(line, style="dim")
    console.print(NEAR_THE_LEAK)
    console.print(DEFERRAL)


def _alarms(result: AreaResult) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, header_style="dim")
    for name in HEADS.split(" | "):
        table.add_column(name, justify="left" if name == "alarm" else "right")
    detect = result.detect
    table.add_row("any", percent(detect.p), when(detect.p50_s), when(detect.p95_s), "")
    told = ""
    for name, figures in result.points.items():
        tag = name.rpartition(".")[0]
        loss = "" if tag == told else percent(result.importance[tag])
        table.add_row(name, percent(figures.p), when(figures.p50_s), when(figures.p95_s), loss)
        told = tag
    return table


def consequences(result: AreaResult) -> tuple[str, ...]:
    """What a person breathes, and whether it can burn, in words."""
    scene = result.scene
    peak, dose = amount(number(result.mean_peak_ppm), "ppm"), amount(number(result.mean_dose_ppm_s / 60), "ppm min")
    breathed = said("a person there: mean peak {peak}, mean dose {dose}", peak=peak, dose=dose)
    if math.isfinite(scene.idlh_ppm):
        breathed = said(
            "a person there: mean peak {peak}, mean dose {dose}; above the IDLH of {idlh} in {share} of the leaks",
            peak=peak,
            dose=dose,
            idlh=amount(number(scene.idlh_ppm), "ppm"),
            share=percent(result.p_over_idlh),
        )
    if not math.isfinite(scene.flammable_ppm):
        return breathed, said("{gas} does not burn in air", gas=scene.gas.key)
    burns = said(
        "a zone reaches the lowest lower flammable limit, {limit}, in {share} of the leaks",
        limit=amount(number(scene.flammable_ppm / 1e4), "%vol"),
        share=percent(result.p_burns),
    )
    return breathed, burns


def responding(known: Responses) -> tuple[str, ...]:
    """How quickly the detectors were taken to answer, where past tests say so."""
    lines = []
    for tag in known.tags:
        past, used = known.known.get(tag), known.spread.ageing_of(tag)
        if past is not None:
            tests = f"{past.tests} test{'s' if past.tests > 1 else ''}"
            rehearsed = ", on a simulated installation" if past.simulated else ""
            lines.append(
                f"{tag} answers in {number(round(used.ageing, 3))} times its t90, factor "
                f"{number(round(used.ageing_factor, 3))} ({tests} until {past.last_day.isoformat()}{rehearsed})."
            )
    return tuple(lines)


def assumptions(spread: Spread) -> str:
    """What was drawn, in words."""
    return said(
        "Assumed (common practice, no source): the whole charge leaks in {fastest} to {slowest} days; a detector fails "
        "in {detector}, the emergency fan in {fan}, a valve in {valve} of the leaks; {who} in {ageing} times their "
        "stated t90, factor {factor}; people leave {reaction} s after the first alarm.",
        fastest=when(spread.fastest_s),
        slowest=number(spread.slowest_s / 86400),
        detector=percent(spread.detector_fails),
        fan=percent(spread.fan_fails),
        valve=percent(spread.valve_fails),
        who=said("other detectors answer") if spread.aged else said("detectors answer"),
        ageing=number(spread.ageing),
        factor=number(spread.ageing_factor),
        reaction=number(spread.reaction_s),
    )
