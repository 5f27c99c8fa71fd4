"""`gaswitness board`: the pages for the desk and for the posts."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gaswitness.cli.options import AssumeYes, LinkUrl, RigControl, RunSpeed


def board(
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port of the pages; 0 takes any free one.")] = 8014,
    host: Annotated[
        str | None,
        typer.Option(
            help="Address to listen on; the whole local network if not given, so that phones can join.",
            show_default=False,
        ),
    ] = None,
    folder: Annotated[
        Path, typer.Option("--folder", help="Folder of sites, plans, ledgers and certificates.")
    ] = Path(),
    run: Annotated[
        Path | None, typer.Option("--run", metavar="PLAN", help="Begin this plan at once.", show_default=False)
    ] = None,
    link: LinkUrl = None,
    rig: RigControl = None,
    speed: RunSpeed = None,
    assume_yes: AssumeYes = False,
    operator: Annotated[str, typer.Option("--operator", help="Who carries out a run begun with --run.")] = "",
    key: Annotated[
        Path | None, typer.Option("--key", help="Private signing key, to issue certificates.", show_default=False)
    ] = None,
    tls: Annotated[bool, typer.Option("--tls", help="Encrypt, with a certificate made for this board.")] = False,
    store: Annotated[
        str | None,
        typer.Option(
            "--store",
            metavar="URL",
            help="Store for the due list; else the user's own, if there is one, else the certificates in the folder.",
            show_default=False,
        ),
    ] = None,
) -> None:
    """Serve the desk and the posts on the local network, until stopped. Prints where to open the desk, once."""
    import asyncio

    from gaswitness.cli.boarding import Asked, serve

    asked = Asked(port, host, folder, run, link, rig, speed, assume_yes, operator, key, tls, store)
    asyncio.run(serve(asked))
