"""How `gaswitness plan` looks in a terminal: cautions first, then one line a detector in the order of the visit."""

from __future__ import annotations

from collections import defaultdict

from rich import box
from rich.console import Console, Group
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from gaswitness.plan import Plan, dry_run
from gaswitness.plan.records import DetectorPlan
from gaswitness.wording import level


def show(built: Plan) -> None:
    """Print the plan for people, to stdout."""
    walked = dry_run(built)
    console = Console(highlight=False, markup=False)
    console.print(Text(built.site.name, style="bold"), Text(_head(built, walked.total_s), style="dim"), sep="\n")
    _section(console, "Cautions", _cautions(built))
    _section(
        console, "Order of the visit: when each alarm sets after gas on, and clears after gas off", _detectors(built)
    )
    _section(console, "Gas, above each bottle's minimum pressure", _gas(built))
    if built.bouts:
        _section(console, "Under gas at once: caps on each bottle, and who is needed where", _bouts(built))
    if walked.watches:
        _section(console, "Who stands where, and when (minutes from the start)", _posts(built))
    if built.not_shown:
        _section(console, 'Not shown by this plan: stands as "not tested"', _not_shown(built))
    _section(console, "What the predictions rest on", _list(built.assumptions, style="dim"))


def _head(built: Plan, total_s: float) -> str:
    tested = len(built.detectors)
    kind = f"Retest of what fell short in {built.retest_of[:12]}. " if built.retest_of else ""
    return (
        f"{kind}{tested} detector{'' if tested == 1 else 's'}, {len(built.steps)} steps, "
        f"{len(built.criteria)} criteria, about {total_s / 60:.0f} min. Times are 95 % intervals."
    )


def _section(console: Console, heading: str, body: Table | Group) -> None:
    console.print()
    console.print(Text(heading, style="bold"))
    console.print(Padding(body, (0, 0, 0, 2)))


def _list(lines: tuple[str, ...], style: str = "") -> Table:
    grid = Table.grid(padding=(0, 1))
    for line in lines:
        grid.add_row("-", Text(line, style=style))
    return grid


def _cautions(built: Plan) -> Group:
    """What every bottle shares is said once."""
    by_bottle: dict[str, list[str]] = defaultdict(list)
    general: list[str] = []
    bottles = {d.cylinder for d in built.detectors}
    for line in built.cautions:
        name, _, text = line.partition(": ")
        by_bottle[name].append(text) if name in bottles else general.append(line)
    shared = [t for t in next(iter(by_bottle.values()), []) if all(t in lines for lines in by_bottle.values())]
    shared = shared if len(by_bottle) > 1 else []
    parts: list[Table | Text] = []
    for name, lines in by_bottle.items():
        bottle = built.site.cylinder(name)
        parts.append(Text(f"{name}: {bottle.gas} in {bottle.balance}"))
        parts.append(_list(tuple(line for line in lines if line not in shared)))
    parts.append(Text("Always"))
    parts.append(_list((*shared, *general)))
    return Group(*parts)


def _table(*columns: str, right: tuple[int, ...] = (), whole: tuple[int, ...] = ()) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, header_style="dim", show_edge=False)
    for index, name in enumerate(columns):
        table.add_column(name, justify="right" if index in right else "left", no_wrap=index in (*right, *whole))
    return table


def _detectors(built: Plan) -> Table:
    columns = ("", "detector", "point", "set at", "on to set", "off to clear", "L", "min")
    table = _table(*columns, right=(0, 4, 5, 6, 7), whole=(3,))
    for place, planned in enumerate(built.detectors, 1):
        heads = (Text(planned.tag), Text(planned.cylinder, style="dim"))
        rows = [_point(built, planned, i) for i in range(len(planned.points))]
        rows += [("", "", "", "")] * (len(heads) - len(rows))
        for i, row in enumerate(rows):
            first = i == 0
            table.add_row(
                str(place) if first else "",
                heads[i] if i < len(heads) else "",
                *row,
                f"{planned.gas_m3 * 1e3:.1f}" if first else "",
                f"{planned.duration_s / 60:.0f}" if first else "",
                end_section=i == len(rows) - 1,
            )
    return table


def _point(built: Plan, planned: DetectorPlan, index: int) -> tuple[str, str, str, str]:
    detector = built.site.detector(planned.tag)
    times = planned.points[index]
    spec = detector.alarm(times.point)
    sign = "≥" if spec.direction == "rising" else "≤"
    clears = "until reset" if times.clear_s is None else f"{times.clear_s[0]:.0f} to {times.clear_s[1]:.0f} s"
    return (
        times.point,
        f"{sign} {level(detector, spec.set_ppm)}",
        f"{times.set_s[0]:.0f} to {times.set_s[1]:.0f} s",
        clears,
    )


def _gas(built: Plan) -> Table:
    table = _table("bottle", "certificate", "expires", "needed L", "held L", right=(3, 4))
    for need in built.gas:
        bottle = built.site.cylinder(need.cylinder)
        table.add_row(
            need.cylinder,
            bottle.certificate,
            bottle.expires.isoformat(),
            f"{need.needed_m3 * 1e3:.1f}",
            f"{need.available_m3 * 1e3:.0f}",
        )
    return table


def _bouts(built: Plan) -> Table:
    table = _table("", "gas on, in this order", "caps on bottle", "vote after", "min", "somebody at", right=(4,))
    names = {post.tag: post.name for post in built.site.posts}
    for bout in built.bouts:
        who = ", ".join([*(f"{tag} (signal open)" for tag in bout.faulty), *bout.tags])
        loads = "\n".join(f"{one.caps} on {one.cylinder}, {one.flow_m3_s * 60e3:.1f} L/min" for one in bout.loads)
        vote = "" if bout.acts_s is None else f"{bout.acts_s[0]:.0f} to {bout.acts_s[1]:.0f} s"
        posts = "\n".join(names.get(post, post) for post in bout.posts)
        table.add_row(bout.bout, who, loads, vote, f"{bout.duration_s / 60:.0f}", posts, end_section=True)
    return table


def _posts(built: Plan) -> Table:
    table = _table("post", "during", "minutes", "effects to be seen", right=(2,))
    names = {post.tag: post.name for post in built.site.posts}
    walked = dry_run(built)
    for post in dict.fromkeys(w.post for w in walked.watches):
        first = True
        for watch in (w for w in walked.watches if w.post == post):
            when = f"{watch.from_s / 60:.0f}-{watch.to_s / 60:.0f}"
            table.add_row(names.get(post, post) if first else "", watch.tag, when, ", ".join(watch.effects))
            first = False
        table.add_section()
    return table


def _not_shown(built: Plan) -> Table:
    table = _table("cause", "effect", "why")
    for line in built.not_shown:
        table.add_row(line.cause, line.effect or "", line.why)
    return table
