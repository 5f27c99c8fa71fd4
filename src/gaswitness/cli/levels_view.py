"""How `gaswitness levels` looks in a terminal: quiet tables, sources numbered and listed once at the end."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from gaswitness.gases import CHECK_THE_TEXT
from gaswitness.gases.advice import Comparison, Proposal
from gaswitness.gases.facts import READ_IN, Gas, Number, Origin
from gaswitness.gases.rules import RuleLevel
from gaswitness.gases.ventilation import Airflow, ChargeInRoom
from gaswitness.wording import number

_UNREAD = " ?"
"""Beside every figure that was not re-read; said in words under the heading."""


class _Sources:
    """Citations in the order they are first met."""

    def __init__(self) -> None:
        self._numbers: dict[tuple[str, str], int] = {}

    def refer(self, *origins: Origin) -> str:
        cited = [(origin.source, READ_IN[origin.read_in] if origin.read_in else "") for origin in origins]
        numbers = [self._numbers.setdefault(one, len(self._numbers) + 1) for one in cited]
        return " ".join(f"[{number}]" for number in dict.fromkeys(numbers))

    def listed(self) -> Table:
        table = Table.grid(padding=(0, 1))
        table.add_column(justify="right")
        table.add_column()
        for (source, how), place in self._numbers.items():
            table.add_row(f"[{place}]", Text(source).append(f"; {how}" if how else "", style="dim"))
        return table


def show(
    found: Gas,
    *,
    rules: Sequence[RuleLevel],
    proposed: Sequence[Proposal],
    own: Mapping[str, tuple[str, Comparison]],
    flows: Sequence[Airflow],
    room: ChargeInRoom | None,
    lines: Sequence[str],
) -> None:
    """Print everything known of a gas to stdout."""
    sources = _Sources()
    tables = [_limits(found, sources), _burning(found, sources), _rules(rules, sources), _proposed(proposed, sources)]
    if own:
        tables.append(_own(own))
    if flows:
        tables.append(_flows(flows, sources))
    if room is not None:
        tables.append(_room(room, sources))
    if found.warming:
        tables.append(_warming(found, sources))
    console = Console(highlight=False, markup=False)
    console.print(_heading(found))
    console.print(f"{_UNREAD.strip()} = {CHECK_THE_TEXT}", style="dim")
    for table in tables:
        console.print()
        console.print(Text(str(table.caption), style="bold"))
        table.caption = None
        console.print(table)
    console.print(Text("\nMind", style="bold"))
    console.print(_list(lines))
    console.print(Text("\nSources", style="bold"))
    console.print(sources.listed())


def _list(lines: Iterable[str]) -> Table:
    table = Table.grid(padding=(0, 1))
    for line in lines:
        table.add_row("-", Text(line))
    return table


def _table(heading: str, *columns: str, right: tuple[int, ...] = ()) -> Table:
    table = Table(caption=heading, box=box.SIMPLE_HEAD, pad_edge=False, header_style="dim", show_edge=False)
    for index, name in enumerate(columns):
        table.add_column(
            name, justify="right" if index in right else "left", no_wrap=index in right or name == "source"
        )
    return table


def _amount(value: Number | str, origin: Origin | None = None) -> str:
    text = number(value) if isinstance(value, float) else str(value)
    return text + (_UNREAD if origin is not None and origin.verified == "from memory" else "")


def _heading(found: Gas) -> Text:
    called = f"  ({', '.join(found.aliases)})" if found.aliases else ""
    text = Text(found.key if found.name == found.key else f"{found.key}  {found.name}", style="bold")
    made_of = " + ".join(f"{number(100 * part.mass_fraction)} % {part.gas}" for part in found.parts)
    density = (
        "density unknown"
        if not isinstance(found.relative_density, float)
        else (f"{number(found.relative_density)} times as dense as air")
    )
    facts = [
        f"CAS {found.cas}" if found.cas != "unknown" else f"{made_of} by mass",
        f"{found.molar_mass_g_mol:.4f} g/mol",
        density,
        found.moves,
        *([f"class {_amount(found.safety_class, found.class_origin)}"] if found.is_refrigerant else []),
        " and ".join(sorted(found.hazards)),
    ]
    return text.append(f"{called}\n{'; '.join(facts)}", style="not bold")


def _limits(found: Gas, sources: _Sources) -> Table:
    table = _table("Limits, as printed", "limit", "ppm", "by mass", "source", "note", right=(1, 2))
    for name in dict.fromkeys(row.name for row in found.limits):
        printed = [row for row in found.limits if row.name == name]
        by_volume = [_amount(row.value, row.origin) for row in printed if row.unit == "ppm"]
        by_mass = [f"{_amount(row.value, row.origin)} {row.unit}" for row in printed if row.unit != "ppm"]
        note = next((row.note for row in printed if row.note), "")
        refer = sources.refer(*(row.origin for row in printed))
        table.add_row(name, "".join(by_volume), "".join(by_mass), refer, note)
    return table


def _burning(found: Gas, sources: _Sources) -> Table:
    table = _table("Flammable limits", "standard", "bound", "as printed", "ppm", "source", "note", right=(2, 3))
    for row in found.flammability:
        ppm = "-" if row.ppm is None else number(row.ppm)
        printed = f"{_amount(row.value, row.origin)} {row.unit if isinstance(row.value, float) else ''}".strip()
        table.add_row(row.standard, row.bound, printed, ppm, sources.refer(row.origin), row.note)
    return table


def _sign(direction: str) -> str:
    return "≥" if direction == "rising" else "≤"


def _rules(rules: Sequence[RuleLevel], sources: _Sources) -> Table:
    table = _table("Published alarm levels", "stage", "ppm", "what happens", "source", right=(1,))
    place = ""
    for row in rules:
        if row.rule.place != place:
            place = row.rule.place
            table.add_row("", "", Text(place, style="bold"), "")
        rule = row.rule
        within = f" within {number(rule.respond_within_s)} s" if isinstance(rule.respond_within_s, float) else ""
        level = str(row.level_ppm)
        if isinstance(row.level_ppm, float):
            level = f"{_sign(rule.direction)} {number(row.level_ppm)}{_UNREAD if row.unread else ''}"
        basis = "" if rule.of == "ppm" else f"; {row.basis}"
        what = Text(f"{rule.action}{within}").append(f" ({rule.condition}{basis})", style="dim")
        table.add_row(rule.stage, level, what, sources.refer(rule.origin))
    if not rules:
        table.add_row("", "", "none in the table", "")
    return table


def _proposed(proposed: Sequence[Proposal], sources: _Sources) -> Table:
    table = _table("Levels to start from, for the person who decides", "stage", "ppm", "because", "source", right=(1,))
    for row in proposed:
        level = f"{_sign(row.direction)} {_amount(row.level_ppm, row.origin)}"
        table.add_row(row.stage, level, row.reason, sources.refer(row.origin))
    if not proposed:
        table.add_row("none", "", "no rule and no limit in the table", "")
    return table


def _own(own: Mapping[str, tuple[str, Comparison]]) -> Table:
    table = _table(
        "This site's own points", "detector", "points, ppm", "published levels that no point is early enough for"
    )
    for tag, (points, compared) in own.items():
        missed = "\n".join(_short(row) for row in compared.missed)
        table.add_row(tag, points, missed or f"none: all {len(compared.met)} are met")
    return table


def _short(row: RuleLevel) -> str:
    level = number(row.level_ppm) if isinstance(row.level_ppm, float) else str(row.level_ppm)
    return f"{row.rule.place}: {row.rule.stage} at {level} ppm{_UNREAD if row.unread else ''}"


def _flows(flows: Sequence[Airflow], sources: _Sources) -> Table:
    table = _table("Ventilation", "formula", "m3/s", "m3/h", "per hour", "source", right=(1, 2, 3))
    for row in flows:
        changes = "-" if row.per_hour is None else number(row.per_hour)
        name = Text(row.name).append(f" ({row.note})" if row.note else "", style="dim")
        unread = _UNREAD if row.origin.verified == "from memory" else ""
        table.add_row(
            name, f"{number(row.flow_m3_s)}{unread}", number(row.flow_m3_s * 3600), changes, sources.refer(row.origin)
        )
    return table


def _room(room: ChargeInRoom, sources: _Sources) -> Table:
    heading = f"The whole charge in the closed room: {number(room.kg_m3)} kg/m3, {number(room.ppm)} ppm evenly mixed"
    table = _table(heading, "limit", "value", "room needed", "verdict", "source", right=(1, 2))
    for row in room.limits:
        value = f"{_amount(row.limit.value, row.limit.origin)} {row.limit.unit}"
        needed = f"{number(row.needed_room_m3)} m3"
        verdict = Text("within") if row.holds else Text("EXCEEDED", style="bold")
        table.add_row(row.limit.name, value, needed, verdict, sources.refer(row.limit.origin))
    if not room.limits:
        table.add_row("none in the table", "", "", "", "")
    return table


def _warming(found: Gas, sources: _Sources) -> Table:
    table = _table("Global warming potential, 100 years", "set", "GWP", "source", right=(1,))
    for row in found.warming:
        unread = _UNREAD if row.origin.verified == "from memory" else ""
        table.add_row(row.set, f"{'<' if row.below else ''}{number(row.value)}{unread}", sources.refer(row.origin))
    return table
