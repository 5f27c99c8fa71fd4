"""`gaswitness export`: the register, the due list, or the files as they came in."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gaswitness.cli.options import AsJson
from gaswitness.cli.storing import SiteName, StoreUrl, Today

if TYPE_CHECKING:
    from gaswitness.history.store import Store


def export(
    out: Annotated[
        Path,
        typer.Option(
            "-o", "--out", help="FILE.xlsx (register), FILE.csv (records), FILE.ics (due), or a folder (originals)."
        ),
    ],
    store: StoreUrl = None,
    site: SiteName = None,
    today: Today = None,
    as_json: AsJson = False,
) -> None:
    """Write what is kept: a register to print, records that `import` reads again, a calendar, or the original files."""
    from gaswitness.cli.output import print_json
    from gaswitness.cli.storing import known_site, read_day
    from gaswitness.errors import InputError
    from gaswitness.history.files import write_whole
    from gaswitness.history.overview import dues_of
    from gaswitness.history.register import operators_of, records_csv, register_xlsx
    from gaswitness.history.store import open_store

    day = read_day(today)
    if out.suffix not in (".xlsx", ".csv", ".ics", "") and not out.is_dir():
        expected = "FILE.xlsx, FILE.csv, FILE.ics, or a folder"
        raise InputError("not a kind of export", where=str(out), found=out.suffix, expected=expected)
    with open_store(store) as kept:
        name = known_site(kept, site)
        if out.is_dir() or not out.suffix:
            written = _originals(kept, out, name)
        else:
            tests = kept.tested(site=name)
            dues, _ = dues_of(kept, day, site=name)
            if out.suffix == ".csv":
                data = records_csv(tests, operators_of(kept))
            elif out.suffix == ".xlsx":
                data = register_xlsx(kept, tests, dues, day)
            else:
                from gaswitness.history.calendar import to_ics

                data = to_ics(dues, day)
            write_whole(out, data)
            written = [out]
    if as_json:
        print_json({"written": [str(path) for path in written]})
    else:
        for path in written:
            typer.echo(str(path))


def _originals(store: Store, folder: Path, site: str | None) -> list[Path]:
    """Every file bit for bit; a file of another content is not overwritten, this one gets its digest in its name."""
    from gaswitness.history.files import write_whole

    folder.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    for one in store.originals(site=site):
        data = store.original(one.sha256)
        path = folder / Path(one.name).name
        if path.exists() and path.read_bytes() != data:
            path = folder / f"{one.sha256[:12]}-{path.name}"
        if not path.exists():
            write_whole(path, data)
        written.append(path)
    return written
