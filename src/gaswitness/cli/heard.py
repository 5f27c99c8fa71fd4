"""`gaswitness heard SITE`: are the sounders loud enough where people are?"""

from __future__ import annotations

import math

import typer

from gaswitness.cli.options import AsJson, SiteFile


def heard(
    site: SiteFile,
    as_json: AsJson = False,
) -> None:
    """Sounders at the posts of a site, against the published rules for audible signals."""
    from gaswitness.errors import EXIT_FELL_SHORT, InputError
    from gaswitness.gases.hazards import DEFERRAL
    from gaswitness.release.heard import heard as listen
    from gaswitness.site import read_site

    places = listen(read_site(site))
    if not places:
        raise InputError(
            "no post says what it hears",
            where=str(site),
            expected="posts with noise: {average_dBA: ...} and hears: [{effect: ..., distance: ... m}]",
            hint="add sound_dBA (level at 1 m) to each sounder, and noise and hears to each post",
        )
    if as_json:
        from gaswitness.cli.output import print_json

        print_json(
            {
                "posts": [
                    {
                        "post": place.post,
                        "level_dba": place.level_dba if math.isfinite(place.level_dba) else None,
                        "from": place.from_each,
                        "rules": [
                            {
                                "rule": row.rule,
                                "bound": row.bound,
                                "needed_dba": row.needed_dba,
                                "found_dba": row.found_dba,
                                "margin_db": row.margin_db,
                                "holds": row.holds,
                                "source": row.origin.source,
                                "verified": row.origin.verified,
                                "read_in": row.origin.read_in,
                            }
                            for row in place.rules
                        ],
                        "unknown": list(place.unknown),
                        "needs_light": place.needs_light,
                        "has_light": place.has_light,
                        "holds": place.holds,
                    }
                    for place in places
                ]
            }
        )
    else:
        from rich import box
        from rich.console import Console
        from rich.table import Table
        from rich.text import Text

        console = Console(highlight=False, markup=False)
        for place in places:
            level = f"{place.level_dba:.1f} dBA" if math.isfinite(place.level_dba) else "level unknown"
            console.print(Text(f"{place.post}: {place.name}, {level}", style="bold"))
            table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, header_style="dim")
            for name in ("rule", "needed", "margin", "verdict", "source"):
                table.add_column(name, justify="right" if name in ("needed", "margin") else "left")
            for row in place.rules:
                verdict = Text("met") if row.holds else Text("FALLS SHORT", style="bold")
                needed = f"{'≥' if row.bound == 'at least' else '≤'} {row.needed_dba:.1f}"
                table.add_row(row.rule, needed, f"{row.margin_db:+.1f} dB", verdict, str(row.origin))
            console.print(table)
            for what in place.unknown:
                console.print(f"  unknown: {what}")
            if place.needs_light and not place.has_light:
                console.print("  so noisy that a visible signal is needed as well, and no lamp is seen from here")
            console.print()
        console.print("In the open; rooms send sound back. What counts is what is measured at the place.", style="dim")
        console.print(DEFERRAL, style="dim")
    if not all(place.holds for place in places):
        raise typer.Exit(EXIT_FELL_SHORT)
