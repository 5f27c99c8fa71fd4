"""`gaswitness plan SITE`: steps, criteria, bottle, gas, time, posts and predicted times, or why there is no plan."""

from __future__ import annotations

from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from gaswitness.cli.options import PaperLanguage

if TYPE_CHECKING:
    from gaswitness.plan import Plan


class Votes(StrEnum):
    """How far vote groups are shown."""

    all = "all"
    first = "first"
    none = "none"


def plan(
    site: Annotated[Path, typer.Argument(metavar="SITE", help="Site file: YAML, or a spreadsheet (.xlsx).")],
    out: Annotated[Path | None, typer.Option("-o", "--out", metavar="PLAN", help="Write the plan here (JSON).")] = None,
    sheet: Annotated[Path | None, typer.Option("--sheet", metavar="FILE.pdf", help="Print the job sheet here.")] = None,
    language: PaperLanguage = "en",
    detector: Annotated[
        list[str] | None, typer.Option("--detector", metavar="TAG", help="Only this detector; may be given again.")
    ] = None,
    retest: Annotated[
        Path | None, typer.Option("--retest", metavar="LEDGER", help="Only what fell short in this recorded run.")
    ] = None,
    live: Annotated[
        list[str] | None,
        typer.Option(
            "--live", metavar="EFFECT", help="This effect may really act: do not inhibit it, and show its lines."
        ),
    ] = None,
    without: Annotated[
        list[str] | None,
        typer.Option("--without", metavar="TAG.POINT", help="Leave this alarm point out; it stands as not tested."),
    ] = None,
    together: Annotated[
        list[str] | None,
        typer.Option(
            "--together",
            metavar="TAG,TAG[,TAG]",
            help="Test these detectors with gas on them at once; may be given again.",
        ),
    ] = None,
    votes: Annotated[
        Votes | None,
        typer.Option(
            "--votes",
            help="Trials of vote groups: all, each member first once and last once, one round with a faulty member; "
            "first, one round; none. Left out: all, as far as caps and bottles allow it.",
        ),
    ] = None,
    today: Annotated[
        datetime | None,
        typer.Option(formats=["%Y-%m-%d"], metavar="DATE", help="Judge expiry dates as on this day (2026-11-25)."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Plan a visit: what is done in which order, with how much gas, and against which criteria.

    Refuses, with every reason at once, a plan that could not prove what it claims.
    """
    from gaswitness.cli.output import print_json, talk
    from gaswitness.history.files import write_whole
    from gaswitness.plan import build_plan
    from gaswitness.site import read_site
    from gaswitness.telling import known_language

    speaks = known_language(language, "--language")
    made = datetime.now(UTC)
    digest, only = _fell_short(retest) if retest is not None else (None, None)
    built = build_plan(
        read_site(site),
        tags=detector or None,
        made=made,
        today=(today or made.astimezone()).date(),
        live=live or (),
        without=without or (),
        retest_of=digest,
        only=only,
        together=[[tag.strip() for tag in tags.split(",") if tag.strip()] for tags in together or ()],
        votes=votes.value if votes is not None else None,
    )
    if out is not None:
        write_whole(out, (built.model_dump_json(indent=1) + "\n").encode())
        talk(f"plan written to {out}")
    if sheet is not None:
        from gaswitness.plan.sheet import sheet_pdf

        write_whole(sheet, sheet_pdf(built, speaks))
        talk(f"job sheet written to {sheet}")
    if as_json:
        print_json(document(built))
    else:
        from gaswitness.cli.plan_view import show

        show(built)


def _fell_short(ledger_file: Path) -> tuple[str, tuple[str, ...]]:
    """Digest of the ledger, and the criteria that did not pass in it."""
    from gaswitness.errors import InputError
    from gaswitness.evidence.series import series_of
    from gaswitness.history.files import ledger_with_late
    from gaswitness.judge import judge

    ledger = ledger_with_late(ledger_file)
    short = judge(series_of(ledger)).fell_short
    if not short:
        raise InputError(
            "everything passed in this run", where=str(ledger_file), hint="plan the next service without --retest"
        )
    return ledger.digest, short


def document(built: Plan) -> dict[str, Any]:
    """The plan in figures, as `--json` prints it."""
    from gaswitness.plan import dry_run

    walked = dry_run(built)
    return {
        "site": built.site.name,
        "made": built.made,
        "retest_of": built.retest_of,
        "minutes": round(walked.total_s / 60, 1),
        "detectors": [_detector(built, tag) for tag in (d.tag for d in built.detectors)],
        "gas": [
            {"bottle": n.cylinder, "needed_l": round(n.needed_m3 * 1e3, 2), "held_l": round(n.available_m3 * 1e3, 1)}
            for n in built.gas
        ],
        "together": [
            {
                "bout": bout.bout,
                "group": bout.group,
                "tags": list(bout.tags),
                "faulty": list(bout.faulty),
                "bottles": [
                    {"bottle": load.cylinder, "caps": load.caps, "flow_l_min": round(load.flow_m3_s * 60e3, 2)}
                    for load in bout.loads
                ],
                "posts": list(bout.posts),
                "acts_s": _interval(bout.acts_s),
                "minutes": round(bout.duration_s / 60, 1),
            }
            for bout in built.bouts
        ],
        "posts": [
            {"post": w.post, "tag": w.tag, "from_s": round(w.from_s), "to_s": round(w.to_s), "effects": list(w.effects)}
            for w in walked.watches
        ],
        "steps": len(built.steps),
        "criteria": len(built.criteria),
        "not_shown": [n.model_dump() for n in built.not_shown],
        "cautions": list(built.cautions),
        "assumptions": list(built.assumptions),
    }


def _detector(built: Plan, tag: str) -> dict[str, Any]:
    planned = built.detector(tag)
    points = {p.point: p for p in planned.points}
    clearing = [p for p in planned.points if p.clear_s is not None]
    low = points.get("low")
    last = low if low is not None and low.clear_s is not None else next(iter(clearing), None)
    return {
        "tag": tag,
        "low_s": _interval(points["low"].set_s if "low" in points else None),
        "high_s": _interval(points["high"].set_s if "high" in points else None),
        "clear_s": _interval(last.clear_s if last else None),
        "gas_l": round(planned.gas_m3 * 1e3, 2),
        "minutes": round(planned.duration_s / 60, 1),
        "bottle": planned.cylinder,
        "bottle_ppm": planned.bottle_ppm,
        "background_ppm": list(planned.background_ppm),
        "gas_s": planned.gas_s,
        "points": [
            {"point": p.point, "set_s": _interval(p.set_s), "clear_s": _interval(p.clear_s)} for p in planned.points
        ],
    }


def _interval(times_s: tuple[float, float] | None) -> list[float] | None:
    return None if times_s is None else [round(times_s[0], 1), round(times_s[1], 1)]
