"""`gaswitness response LOG`: response figures of a recorded trace."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from gaswitness.links.logfile import Log
    from gaswitness.response.figures import ResponseFigures, Time

TIME_HELP = "An ISO 8601 time or seconds from the first row; found on the trace if not given."


def response(
    log: Annotated[Path, typer.Argument(help="CSV (also .gz) or Parquet, long or wide.")],
    channel: Annotated[
        str | None, typer.Option(help="Which channel of the log; the column that names it; or COLUMN=NAME.")
    ] = None,
    gas_on: Annotated[str | None, typer.Option(help=f"When gas was put on. {TIME_HELP}")] = None,
    gas_off: Annotated[str | None, typer.Option(help=f"When gas was shut. {TIME_HELP}")] = None,
    gas: Annotated[float | None, typer.Option(help="Gas that was given, in ppm or the unit of the log.")] = None,
    time: Annotated[str | None, typer.Option(help="Column that holds the time.")] = None,
    value: Annotated[str | None, typer.Option(help="Column that holds the reading.")] = None,
    picture: Annotated[
        Path | None, typer.Option(help="Draw trace, fit and residuals into this PNG, SVG or PDF.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Zero, plateau, dead time, t50, t90 and recovery of a recorded exposure, with uncertainty and doubts."""
    from gaswitness.cli.output import print_json
    from gaswitness.errors import EXIT_FELL_SHORT, InputError
    from gaswitness.links.logfile import parse_instant, read_log
    from gaswitness.response.figures import response_figures

    if gas is not None and not gas > 0:
        raise InputError("gas that was given", where="--gas", found=gas, expected="a concentration above 0")
    read = read_log(log, time=time, value=value, channel=channel)
    trace = read.trace(channel if channel in read.channels else None)
    on_s = None if gas_on is None else parse_instant(gas_on, read)
    off_s = None if gas_off is None else parse_instant(gas_off, read)
    try:
        figures = response_figures(trace.t_s, trace.values, gas_on_s=on_s, gas_off_s=off_s, gas_ppm=gas)
    except InputError as error:
        raise InputError(error.message, where=f"{read.source}, channel {trace.channel!r}", hint=error.hint) from error
    if picture is not None:
        from gaswitness.cli.response_picture import draw

        draw(picture, trace.t_s, trace.values, figures, title=f"{log.name} · {trace.channel}")
    if as_json:
        print_json({"channel": trace.channel, **figures.document(read.instant), "notes": list(read.notes)})
    else:
        _show(figures, trace.channel, read)
    if not figures.trustworthy or "span-error" in figures.flags:
        raise typer.Exit(EXIT_FELL_SHORT)


def _show(figures: ResponseFigures, channel: str, log: Log) -> None:
    """The same for people."""
    from rich.console import Console
    from rich.table import Table

    from gaswitness.response.meaning import MEANING
    from gaswitness.wording import number, with_uncertainty

    def told(value: float, u: float) -> str:
        return with_uncertainty(value, 2 * u)

    def of(time: Time) -> tuple[str, str]:
        return told(time.value, time.u), number(time.read)

    def when(t_s: float, found: bool) -> str:
        if t_s != t_s:
            return "not in the record"
        instant = log.instant(t_s)
        words = instant if isinstance(instant, str) else f"{instant:.1f} s"
        return words + (" (found on the trace)" if found else "")

    console = Console(highlight=False)
    console.print(f"{log.source}, channel {channel}", style="bold")
    console.print(f"gas on   {when(figures.gas_on_s, figures.gas_on_found)}")
    console.print(f"gas off  {when(figures.gas_off_s, figures.gas_off_found)}")
    table = Table(box=None, pad_edge=False, header_style="dim")
    for heading in ("figure", "value ± U (k = 2)", "read on trace"):
        table.add_column(heading)
    table.add_row("zero", told(figures.zero.value, figures.zero.u), "")
    state = "settled" if figures.settled else ("extrapolated" if figures.extrapolated else "not settled")
    table.add_row(f"plateau ({state})", told(figures.plateau.value, figures.plateau.u), "")
    if figures.span_ratio == figures.span_ratio:
        table.add_row("plateau / gas given", f"{figures.span_ratio:.3f}", "")
    table.add_row("dead time, s", told(figures.dead_time_s.value, figures.dead_time_s.u), "")
    table.add_row("t50, s", *of(figures.t50))
    table.add_row("t90, s", *of(figures.t90))
    table.add_row("recovery t10, s", *of(figures.t10))
    table.add_row("noise (1 sd)", f"{figures.noise:.3g}", "")
    table.add_row("display step seen", f"{figures.resolution:g}" if figures.resolution else "none", "")
    table.add_row("model", figures.model, "")
    console.print(table)
    if len(figures.exposures) > 1:
        shown = "the largest" if figures.gas_on_found else "the one asked for"
        console.print(f"{len(figures.exposures)} exposures in this record; shown is {shown}. Gas on at:")
        for one in figures.exposures:
            console.print(f"  {when(one.gas_on_s, False)}")
    for flag in figures.flags:
        console.print(f"! {flag}: {MEANING[flag]}")
    for note in log.notes:
        console.print(f"- {note}")
