"""What the commands over the history share: which store, which site, and what is told of simulated visits."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from gaswitness.history.store import Store

StoreUrl = Annotated[
    str | None,
    typer.Option(
        "--store",
        metavar="URL",
        help="File or sqlite:///FILE or postgresql://USER@HOST/DATABASE; else GASWITNESS_STORE, else the user's own.",
        show_default=False,
    ),
]
SiteName = Annotated[
    str | None, typer.Option("--site", metavar="NAME", help="Only the site of this name.", show_default=False)
]
Today = Annotated[
    str | None, typer.Option("--today", metavar="DATE", help="Another day, YYYY-MM-DD.", show_default=False)
]


def read_day(text: str | None) -> date:
    """The day that was given, or today; raises InputError."""
    from gaswitness.errors import InputError

    if text is None:
        return date.today()  # noqa: DTZ011 - the day on this person's wall
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise InputError("not a day", where="--today", found=text, expected="a date such as 2026-11-25") from None


def known_site(store: Store, site: str | None) -> str | None:
    """The name of a site that something was kept of, or none if all are wanted; raises InputError."""
    from gaswitness.errors import InputError
    from gaswitness.site.references import near

    if site is None:
        return None
    names = tuple(sorted({*store.sites(), *(test.site for test in store.tested(site=site))}))
    if site not in names:
        raise InputError(
            "nothing was kept of a site of this name",
            where="--site",
            found=site,
            expected=", ".join(names[:5]) or "an import first",
            hint=near(site, names),
        )
    return site


def tell_left_out(count: int) -> None:
    """Say that simulated tests do not count beside real ones."""
    from gaswitness.cli.output import talk

    if count:
        talk(f"{count} simulated test{'s' if count != 1 else ''} left out: these sites have real visits too")
