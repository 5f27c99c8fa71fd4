"""`gaswitness release SITE`: leaks in the rooms of a site, and what the detectors make of them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from gaswitness.cli.options import AsJson, PaperLanguage, SiteFile

if TYPE_CHECKING:
    from gaswitness.release.montecarlo import AreaResult, Spread
    from gaswitness.telling import Teller

PAPER = (".pdf", ".png", ".svg")
PAGE = ".html"


def release(
    site: SiteFile,
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
    ageing: Annotated[
        float, typer.Option("--ageing", help="Median t90 over the stated one, of detectors without a history.")
    ] = 1.0,
    store: Annotated[
        str | None,
        typer.Option(
            "--store", metavar="URL", help="Take each detector's ageing from its past tests in this store.",
            show_default=False,
        ),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="Draw it into a .pdf, .png or .svg file, or a .html page.")
    ] = None,
    area: Annotated[str | None, typer.Option("--area", help="Only this area.")] = None,
    leak_kg_h: Annotated[
        float | None, typer.Option("--leak-kg-h", help="Follow one leak of this rate instead.")
    ] = None,
    burst_kg: Annotated[float, typer.Option("--burst-kg", help="With --leak-kg-h: comes at once at the start.")] = 0.0,
    decay_min: Annotated[
        float | None,
        typer.Option("--decay-min", help="With --leak-kg-h: the leak falls to 37 % in so many minutes."),
    ] = None,
    failed: Annotated[
        list[str] | None,
        typer.Option(
            "--failed", metavar="TAG", help="With --leak-kg-h: a detector, fan or valve that fails, or `ventilation`."
        ),
    ] = None,
    door: Annotated[
        str | None,
        typer.Option("--door", metavar="S[-S]", help="With --leak-kg-h: a door opens, and shuts, at these seconds."),
    ] = None,
    door_m3_s: Annotated[
        float, typer.Option("--door-m3-s", help="Air that goes each way through the open door.")
    ] = 0.5,
    language: PaperLanguage = "en",
    as_json: AsJson = False,
) -> None:  # fmt: skip
    """Leaks in rooms: probability of detection, time to each alarm, dose, what stays unseen, where to put detectors."""
    from dataclasses import replace

    from gaswitness.cli.release_history import responses
    from gaswitness.errors import InputError
    from gaswitness.release.montecarlo import Spread, study
    from gaswitness.release.places import place_detectors
    from gaswitness.release.scene import scenes
    from gaswitness.site import read_site
    from gaswitness.telling import Teller, known_language

    tell = Teller(known_language(language, "--language"))
    _sensible(("--failing", failing, 0.0, 1.0), ("--ageing", ageing, 0.01, 100.0), ("--within", within, 1.0, 86400.0))
    if out is not None and out.suffix not in (*PAPER, PAGE):
        raise InputError(
            "cannot be drawn", where="--out", found=out.name, expected=f"one of {', '.join((*PAPER, PAGE))}"
        )
    described = read_site(site)
    found = tuple(scene for scene in scenes(described) if area in (None, scene.area))
    if not found:
        raise InputError("no charge in that area", where="--area", found=area, expected="an area that holds a charge")
    known = responses(described, Spread(detector_fails=failing, ageing=ageing), store)
    if leak_kg_h is not None:
        from gaswitness.cli.release_one import asked_of, follow

        asked = asked_of(leak_kg_h, burst_kg, decay_min, tuple(failed or ()), door, door_m3_s)
        follow(described, found, asked, known, out, tell, as_json=as_json)
        return
    for option, given in (("--burst-kg", burst_kg), ("--decay-min", decay_min), ("--failed", failed), ("--door", door)):
        if given:
            raise InputError("belongs to one leak", where=option, found=given, expected="--leak-kg-h beside it")
    spread = known.spread
    with _mapper(dask) as mapper:
        results, placed = [], []
        for stream, scene in enumerate(found):
            of_scene: dict[str, Any] = {"scenarios": scenarios, "seed": seed, "stream": stream, "mapper": mapper}
            results.append(study(scene, spread, **of_scene))
            aim = replace(spread, duration_s=within)
            placed.append(None if choose is None else place_detectors(scene, aim, choose, **of_scene))
    if out is not None:
        _draw(out, described.name, results, spread, seed, tell)
    if as_json:
        from gaswitness.cli.output import print_json
        from gaswitness.cli.release_view import document

        print_json(document(results, placed, known, scenarios, seed))
    else:
        from gaswitness.cli.release_view import show

        show(results, placed, known, scenarios, seed)


def _sensible(*numbers: tuple[str, float, float, float]) -> None:
    from gaswitness.errors import InputError
    from gaswitness.wording import number

    for option, value, low, high in numbers:
        if not low <= value <= high:
            raise InputError(
                "a number that makes no sense here",
                where=option,
                found=value,
                expected=f"{number(low)} to {number(high)}",
            )


def _mapper(dask: str | None) -> Any:
    """What works the blocks off: a cluster, or nothing but this machine's processors."""
    if dask is None:
        from contextlib import nullcontext

        return nullcontext(None)
    from gaswitness.release.cluster import dask_mapper

    return dask_mapper(dask)


def _draw(out: Path, site: str, results: Sequence[AreaResult], spread: Spread, seed: int, tell: Teller) -> None:
    from datetime import UTC, datetime

    from gaswitness.history.files import write_whole

    if out.suffix == PAGE:
        from gaswitness.cli.release_page import page_of

        drawn = page_of(site, results, spread, seed, tell).encode()
    else:
        from gaswitness.cli.release_sheet import sheet_of_study

        drawn = sheet_of_study(site, results, spread, seed, datetime.now(UTC), out.suffix, tell)
    out.parent.mkdir(parents=True, exist_ok=True)
    write_whole(out, drawn)
