"""`gaswitness due`: what must be done by when."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gaswitness.cli.options import AsJson
from gaswitness.cli.storing import SiteName, StoreUrl, Today

if TYPE_CHECKING:
    from gaswitness.learn.due import Due


def due(
    sites: Annotated[
        list[Path] | None,
        typer.Argument(metavar="SITE", help="Site files newer than what was kept.", show_default=False),
    ] = None,
    store: StoreUrl = None,
    site: SiteName = None,
    today: Today = None,
    out: Annotated[
        Path | None, typer.Option("-o", "--out", help="Write it as .ics (calendar), .xlsx or .csv.", show_default=False)
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Tests, bottles, sensors and standing inhibits, by the day they are due. Exit 1 if something is overdue."""
    from gaswitness.cli.output import print_json
    from gaswitness.cli.storing import read_day, tell_left_out
    from gaswitness.errors import EXIT_FELL_SHORT, InputError
    from gaswitness.history import opening
    from gaswitness.history.overview import dues_of
    from gaswitness.history.store import open_store
    from gaswitness.site import read_site

    day = read_day(today)
    if out is not None and out.suffix not in (".ics", ".xlsx", ".csv"):
        raise InputError("not a kind of list", where=str(out), found=out.suffix, expected=".ics, .xlsx or .csv")
    described = [read_site(path) for path in sites or []]
    kept = None if described and not opening.exists(store) else open_store(store)
    try:
        dues, left_out = dues_of(kept, day, site=site, described=described)
    finally:
        if kept is not None:
            kept.close()
    if out is not None:
        _write(out, dues, day)
    overdue = sum(one.state == "overdue" for one in dues)
    if as_json:
        rows = [one.model_dump(mode="json") for one in dues]
        print_json({"today": day.isoformat(), "due": rows, "overdue": overdue, "left_out_simulated": left_out})
    else:
        from gaswitness.cli.history_view import show_due

        show_due(dues, day)
        tell_left_out(left_out)
    if overdue:
        raise typer.Exit(EXIT_FELL_SHORT)


def _write(out: Path, dues: list[Due], day: date) -> None:
    from gaswitness.history.calendar import to_ics
    from gaswitness.history.files import write_whole
    from gaswitness.history.register import due_csv, due_xlsx

    if out.suffix == ".ics":
        data = to_ics(dues, day)
    else:
        data = due_xlsx(dues, day) if out.suffix == ".xlsx" else due_csv(dues)
    write_whole(out, data)
