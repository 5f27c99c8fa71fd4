"""`gaswitness check`: read and sense-check a site, and list every fault and doubt."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from gaswitness.cli.options import AsJson, SiteFile


def check(
    site: SiteFile,
    as_json: AsJson = False,
    today: Annotated[
        datetime | None,
        typer.Option(formats=["%Y-%m-%d"], metavar="DATE", help="Judge expiry dates as on this day (2026-11-25)."),
    ] = None,
    to_sheet: Annotated[
        Path | None, typer.Option(metavar="FILE.xlsx", help="Also write the site as a spreadsheet; never over a file.")
    ] = None,
) -> None:
    """Read a site and tell every fault and doubt, with its place. Exit 1 with a fault, 2 if it is no site at all."""
    from gaswitness.cli.check_view import listing
    from gaswitness.cli.output import print_json
    from gaswitness.errors import EXIT_BAD_INPUT, EXIT_FELL_SHORT, EXIT_GOOD, Fault, InputFaults, Unreadable
    from gaswitness.site.load import site_of
    from gaswitness.site.reading import tree_from_bytes
    from gaswitness.site.sense import SenseReport, bottle_cautions, sense_check

    day = (today or datetime.now(UTC).astimezone()).date()
    source, described, code = str(site), None, EXIT_GOOD
    try:
        tree = tree_from_bytes(site.read_bytes(), source)
        described = site_of(tree, source)
        found = sense_check(described, day)
        report = SenseReport(tuple(map(tree.place, found.faults)), tuple(map(tree.place, found.doubts)))
        code = EXIT_FELL_SHORT if report.faults else EXIT_GOOD
    except InputFaults as error:
        report = SenseReport(error.faults, ())
        code = EXIT_BAD_INPUT if isinstance(error, Unreadable) else EXIT_FELL_SHORT
    except OSError as error:
        message = f"found no readable file ({error.strerror or error})"
        report = SenseReport((Fault("$", message, "check the path"),), ())
        code = EXIT_BAD_INPUT
    cautions = bottle_cautions(described) if described else ()
    if to_sheet is not None and described is not None:
        from gaswitness.site.sheet import write_sheets

        with to_sheet.open("xb") as file:
            file.write(write_sheets(described))
    if as_json:
        print_json(
            {
                "site": described.name if described else None,
                "faults": [_entry(fault) for fault in report.faults],
                "doubts": [_entry(doubt) for doubt in report.doubts],
                "cautions": [{"cylinder": caution.cylinder, "lines": list(caution.lines)} for caution in cautions],
            }
        )
    elif code == EXIT_BAD_INPUT:
        typer.echo("\n".join(f"gaswitness: {source}: {fault}" for fault in report.faults), err=True)
    else:
        typer.echo(listing(source, described, report, cautions))
    if code != EXIT_GOOD:
        raise typer.Exit(code)


def _entry(fault: object) -> dict[str, object]:
    return {key: getattr(fault, key) for key in ("path", "message", "hint", "line")}
