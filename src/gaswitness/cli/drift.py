"""`gaswitness drift`: how zero, span and t90 moved over the years, and when they leave their tolerance."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from gaswitness.cli.options import AsJson, PaperLanguage
from gaswitness.cli.storing import SiteName, StoreUrl, Today

if TYPE_CHECKING:
    from gaswitness.learn.drift import Drift, DriftKind, Period, Reaches


def drift(
    store: StoreUrl = None,
    site: SiteName = None,
    tag: Annotated[
        list[str] | None, typer.Option("--detector", metavar="TAG", help="Only this detector; may be given again.")
    ] = None,
    kind: Annotated[
        list[str] | None, typer.Option("--of", metavar="zero|span|t90", help="Only this; may be given again.")
    ] = None,
    today: Today = None,
    out: Annotated[
        Path | None, typer.Option("-o", "--out", help="Picture of the years (.png, .svg, .pdf).", show_default=False)
    ] = None,
    language: PaperLanguage = "en",
    as_json: AsJson = False,
) -> None:
    """Drift of every detector since it was last adjusted. Exit 1 if a tolerance is, or may be, passed."""
    from gaswitness.cli.output import print_json
    from gaswitness.cli.storing import known_site, read_day, tell_left_out
    from gaswitness.errors import EXIT_FELL_SHORT, InputError
    from gaswitness.history.overview import counted
    from gaswitness.history.store import open_store
    from gaswitness.learn.drift import DRIFT_KINDS, drifts
    from gaswitness.site.references import near
    from gaswitness.telling import Teller, known_language

    tell = Teller(known_language(language, "--language"))
    day = read_day(today)
    kinds: list[DriftKind] = [one for one in DRIFT_KINDS if one in (kind or DRIFT_KINDS)]
    if unknown := sorted(set(kind or ()) - set(DRIFT_KINDS)):
        raise InputError("not a quantity that drifts", where="--of", found=unknown[0], expected=", ".join(DRIFT_KINDS))
    with open_store(store) as kept:
        tests = counted(kept, known_site(kept, site))
    tags = tuple(sorted({test.tag for test in tests.tests}))
    if missing := sorted(set(tag or ()) - set(tags)):
        expected = ", ".join(tags[:8])
        raise InputError(
            "never tested", where="--detector", found=missing[0], expected=expected, hint=near(missing[0], tags)
        )
    found = drifts([test for test in tests.tests if not tag or test.tag in tag], kinds)
    if out is not None:
        from gaswitness.history.picture import draw_years

        draw_years(out, found, day, tell)
    if as_json:
        print_json(
            {"today": day.isoformat(), "drifts": [_row(one) for one in found], "left_out_simulated": tests.left_out}
        )
    else:
        from gaswitness.cli.history_view import show_drift

        show_drift(found, day)
        tell_left_out(tests.left_out)
    if any(_short(one.now, day) for one in found):
        raise typer.Exit(EXIT_FELL_SHORT)


def _short(period: Period, day: Any) -> bool:
    """Outside its tolerance now, or not shown to be inside it any more."""
    reached = period.reaches.guarded if period.reaches is not None else None
    return (bool(period.points) and period.points[-1].outside) or (reached is not None and reached <= day)


def _row(one: Drift) -> dict[str, Any]:
    return {
        "site": one.site,
        "tag": one.tag,
        "of": one.kind,
        "unit": one.unit,
        "simulated": one.simulated,
        "periods": [_period(period) for period in one.periods],
    }


def _period(one: Period) -> dict[str, Any]:
    return {
        "points": [
            {
                "day": p.day.isoformat(),
                "value": p.value,
                "u": p.u,
                "as_left": p.as_left,
                "outside": p.outside,
                "failed": p.failed,
            }
            for p in one.points
        ],
        "ended": one.ended,
        "limits": [one.lower, one.upper],
        "says": one.says,
        "why": one.why,
        "per_year": one.per_year,
        "u_per_year": one.u_per_year,
        "robust_per_year": one.robust_per_year,
        "intercept": float(one.fit.coefficients[0]) if one.fit else None,
        "covariance": one.fit.covariance.tolist() if one.fit else None,
        "chi2": one.fit.chi2 if one.fit else None,
        "dof": one.fit.dof if one.fit else None,
        "reaches": _reaches(one.reaches) if one.reaches else None,
        "flags": list(one.flags),
    }


def _reaches(one: Reaches) -> dict[str, Any]:
    days = {"guarded": one.guarded, "likely": one.likely, "latest": one.latest, "looked_until": one.until}
    return {"limit": one.limit, **{name: day.isoformat() if day else None for name, day in days.items()}}
