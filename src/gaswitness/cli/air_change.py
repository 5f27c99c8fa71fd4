"""`gaswitness air-change LOG`: air changes per hour from a decay in a recorded log."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from gaswitness.links.logfile import Log
    from gaswitness.release.decay import AirChange


def air_change(
    log: Annotated[Path, typer.Argument(metavar="LOG", help="CSV, CSV.gz or Parquet; long or wide.")],
    channel: Annotated[
        str | None, typer.Option("--channel", help="Which channel; the column that names it; or COLUMN=NAME.")
    ] = None,
    from_: Annotated[str | None, typer.Option("--from", help="Start: ISO time, or seconds from the first row.")] = None,
    to: Annotated[str | None, typer.Option("--to", help="End: ISO time, or seconds from the first row.")] = None,
    background: Annotated[float | None, typer.Option("--background", help="Hold the background at this ppm.")] = None,
    outdoor: Annotated[
        float, typer.Option("--outdoor", help="What outdoor air holds of the gas, ppm; 420 is carbon dioxide.")
    ] = 420.0,
    time: Annotated[str | None, typer.Option("--time", help="Name of the column of times.")] = None,
    value: Annotated[str | None, typer.Option("--value", help="Name of the column of readings.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Air changes per hour from the decay of a gas, or a flag that says why there is no answer."""
    from gaswitness.errors import EXIT_FELL_SHORT, InputError
    from gaswitness.links.logfile import parse_instant, read_log
    from gaswitness.release.decay import air_change as analyse

    for name, number in (("--background", background), ("--outdoor", outdoor)):
        if number is not None and not (math.isfinite(number) and number >= 0.0):
            raise InputError("a level is not below zero", where=name, found=number, expected="ppm")
    recorded = read_log(log, time=time, value=value, channel=channel)
    trace = recorded.trace(channel if channel in recorded.channels else None)
    from_s = None if from_ is None else parse_instant(from_, recorded)
    to_s = None if to is None else parse_instant(to, recorded)
    if from_s is not None and to_s is not None and to_s <= from_s:
        raise InputError("the window ends before it begins", where="--to", found=to, expected=f"later than {from_}")
    found = analyse(trace.t_s, trace.values, from_s=from_s, to_s=to_s, background_ppm=background, outdoor_ppm=outdoor)
    if as_json:
        from gaswitness.cli.output import print_json

        print_json(_document(found, recorded, trace.channel))
    else:
        _show(found, recorded, trace.channel)
    if found.refused:
        raise typer.Exit(EXIT_FELL_SHORT)


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _document(found: AirChange, log: Log, channel: str) -> dict[str, Any]:
    window = [None if math.isnan(t_s) else log.instant(t_s) for t_s in (found.from_s, found.to_s)]
    return {
        "per_hour": {"value": _number(found.per_hour), "u": _number(found.u_per_hour)},
        "background": {
            "value": _number(found.background_ppm),
            "u": _number(found.u_background_ppm),
            "fitted": found.background_fitted,
        },
        "flags": list(found.flags),
        "reasons": {doubt.flag: doubt.why for doubt in found.doubts},
        "refused": found.refused,
        "channel": channel,
        "window": {"from": window[0], "to": window[1], "from_s": _number(found.from_s), "to_s": _number(found.to_s)},
        "start_ppm": _number(found.start_ppm),
        "time_constants": _number(found.time_constants),
        "samples": found.samples,
        "noise_ppm": found.noise_ppm,
        "rms_ppm": _number(found.rms_ppm),
        "notes": list(log.notes),
    }


def _show(found: AirChange, log: Log, channel: str) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from gaswitness.wording import number, with_uncertainty

    console = Console(highlight=False, markup=False)
    if found.refused:
        console.print(Text(f"{channel}: no answer", style="bold"))
    else:
        answer = f"{channel}: {with_uncertainty(found.per_hour, 2 * found.u_per_hour)} air changes per hour (k = 2)"
        console.print(Text(answer, style="bold"))
    facts = Table.grid(padding=(0, 2))
    if math.isfinite(found.from_s):
        facts.add_row("window", f"{log.instant(found.from_s)} to {log.instant(found.to_s)}, {found.samples} readings")
    if math.isfinite(found.time_constants) and not found.refused:
        start = f"from {number(round(found.start_ppm))} ppm"
        facts.add_row("decay", f"{number(round(found.time_constants, 2))} time constants, {start}")
        fitted = with_uncertainty(found.background_ppm, 2 * found.u_background_ppm)
        stated = f"{number(found.background_ppm)} ppm, as stated"
        facts.add_row("background", f"{fitted} ppm (k = 2), fitted" if found.background_fitted else stated)
        facts.add_row("misfit", f"{number(found.rms_ppm)} ppm rms; noise {number(found.noise_ppm)} ppm")
    console.print(facts)
    for doubt in found.doubts:
        line = Text("! " if doubt.refuses else "- ").append(doubt.flag, style="bold").append(f": {doubt.why}")
        console.print(line)
    for note in log.notes:
        console.print(Text(f"- {note}"))
    console.print(
        Text("It holds for the wind, doors and plant of that hour, and for one room that is well mixed.", style="dim")
    )
