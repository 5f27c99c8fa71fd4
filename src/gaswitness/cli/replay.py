"""`gaswitness replay SITE LOG`: what the alarm logic of a site makes of a recorded log."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from gaswitness.cli.replaying import SiteReplay
    from gaswitness.exposure import Exposure
    from gaswitness.links.logfile import Log


def replay(
    site: Annotated[Path, typer.Argument(metavar="SITE", help="Site file: YAML, or a spreadsheet (.xlsx).")],
    log: Annotated[Path, typer.Argument(metavar="LOG", help="CSV, CSV.gz or Parquet; long or wide.")],
    mapped: Annotated[
        list[str] | None,
        typer.Option("--map", metavar="COLUMN=TAG", help="Which channel of the log is which detector; repeat."),
    ] = None,
    unit: Annotated[
        str | None,
        typer.Option(metavar="UNIT", help="Unit of the log: ppm, ppb, %vol, %LFL. Else: the column's, the detector's."),
    ] = None,
    reset: Annotated[
        list[str] | None, typer.Option(metavar="T", help="Reset was pressed then (ISO, or seconds); repeat.")
    ] = None,
    events: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE.csv", help="What people did: columns t, tag, what (acknowledge, reset, inhibit, lift)."
        ),
    ] = None,
    stale: Annotated[
        float | None, typer.Option(metavar="S", help="A running delay begins anew after a gap longer than this.")
    ] = None,
    gap: Annotated[
        float | None, typer.Option(metavar="S", help="Time between readings further apart counts as unmeasured.")
    ] = None,
    shift: Annotated[
        str | None, typer.Option(metavar="HH:MM-HH:MM", help="Also the exposure of this shift, each day.")
    ] = None,
    time: Annotated[str | None, typer.Option("--time", help="Name of the column of times.")] = None,
    value: Annotated[str | None, typer.Option("--value", help="Name of the column of readings.")] = None,
    channel: Annotated[
        str | None,
        typer.Option("--channel", help="Name of the column that names the channel, or the one channel wanted."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Alarms that a recorded log would have set and cleared, and what a person there would have breathed."""
    from gaswitness.cli.replay_events import read_events
    from gaswitness.cli.replaying import replay_site
    from gaswitness.errors import InputError
    from gaswitness.links.logfile import parse_instant, read_log
    from gaswitness.site import read_site

    for name, number in (("--stale", stale), ("--gap", gap)):
        if number is not None and not number > 0:
            raise InputError("seconds", where=name, found=number, expected="above 0")
    described = read_site(site)
    recorded = read_log(log, time=time, value=value, channel=channel)
    resets_s = [parse_instant(text, recorded) for text in reset or ()]
    pressed = read_events(events, recorded, [d.tag for d in described.detectors]) if events is not None else {}
    done = replay_site(
        described, recorded, mapped=mapped or (), unit=unit, resets_s=resets_s, pressed=pressed, stale_s=stale,
        gap_s=gap, shift=shift,
    )  # fmt: skip
    if as_json:
        from gaswitness.cli.output import print_json

        print_json(document(described.name, done))
    else:
        from gaswitness.cli.replay_view import show

        show(described.name, done)


def document(site: str, done: SiteReplay) -> dict[str, Any]:
    """What `--json` prints: levels in ppm; edges are `set` and `clear`, what happened under a latch is in `latch`."""
    log = done.log
    edges = [
        (edge.t_s, order, told.detector.tag, edge) for order, told in enumerate(done.detectors) for edge in told.edges
    ]
    edges.sort(key=lambda entry: entry[:2])
    told_edges = [
        {"t": log.instant(t_s), "tag": tag, "point": edge.point, "edge": edge.kind, "value": _number(edge.value)}
        for t_s, _, tag, edge in edges
    ]
    return {
        "site": site,
        "log": log.source,
        "unit": "ppm",
        "edges": [entry for entry in told_edges if entry["edge"] in ("set", "clear")],
        "latch": [entry for entry in told_edges if entry["edge"] not in ("set", "clear")],
        "groups": [
            {"t": log.instant(t_s), "tag": tag, "edge": "set" if on else "clear"} for t_s, tag, on in done.groups
        ],
        "exposure": {
            told.detector.tag: _exposure(told.exposure, log)
            | {
                "channel": told.trace.channel,
                "channel_unit": told.unit,
                "lowest": _number(float(told.measured.values.min())) if len(told.measured) else None,
                "gap_s": told.measured.gap_s,
                "percentiles": {str(p): _number(told.measured.percentile(p)) for p in (50, 95, 99)},
                "beyond_set_level_s": {point.name: told.beyond_s(point) for point in told.points},
                "in_alarm_s": {point.name: told.alarm_s(i) for i, point in enumerate(told.points)},
            }
            for told in done.detectors
        },
        "shifts": [
            {
                "tag": told.detector.tag,
                "begin": shift.begin.isoformat(),
                "end": shift.end.isoformat(),
                "readings": shift.readings,
            }
            | _exposure(shift.exposure, log)
            | {"unmeasured_s": shift.unmeasured_s}
            for told in done.detectors
            for shift in told.shifts
        ],
        "notes": list(done.notes),
    }


def _exposure(found: Exposure, log: Log) -> dict[str, Any]:
    def window(name: str, key: str) -> dict[str, Any]:
        one = getattr(found, name)
        if one is None:
            return {key: None, f"{name}_from": None, f"{name}_unmeasured_s": None}
        return {
            key: _number(one.average),
            f"{name}_from": log.instant(one.begin_s),
            f"{name}_unmeasured_s": one.unmeasured_s,
        }

    return {
        "peak": _number(found.peak),
        "peak_at": log.instant(found.peak_at_s) if math.isfinite(found.peak_at_s) else None,
        **window("stel", "stel_15min_max"),
        **window("twa", "twa_8h"),
        "mean": _number(found.mean),
        "measured_s": found.measured_s,
        "unmeasured_s": found.unmeasured_s,
    }


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None
