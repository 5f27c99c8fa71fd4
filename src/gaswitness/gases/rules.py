"""Published alarm levels as data (``data/rules.tsv``), resolved for one gas.

A rule speaks of a place, a condition, a level, an action and sometimes a delay. Its level may be a number, or a share
of something that differs from gas to gas: of the lower flammable limit, the practical limit, the OEL, the PEL, the
IDLH. Resolving never guesses: where the table lacks the figure, the level stays unknown.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal, cast

from gaswitness.gases.facts import Gas, Missing, Number, Origin
from gaswitness.gases.table import gas, lower_flammable_limits, number_of, origin_of, rows
from gaswitness.units import convert
from gaswitness.wording import number


@dataclass(frozen=True, slots=True)
class AlarmRule:
    """One published level, as the rule states it."""

    id: str
    place: str
    gases: str
    """Keys, or a group: `refrigerant`, `toxic`, `flammable`, `flammable refrigerant`, each perhaps `except KEY`."""
    min_charge_kg: float
    condition: str
    stage: str
    direction: Literal["rising", "falling"]
    of: str
    """What `level` counts: `ppm`, `%LFL`, `share of OEL` ..., or `set by ...` where no figure is published."""
    level: Number
    action: str
    respond_within_s: Number
    origin: Origin

    def applies_to(self, found: Gas) -> bool:
        """Whether the rule speaks of this gas."""
        group, _, exception = self.gases.partition(" except ")
        if found.key == exception:
            return False
        words = group.split()
        if not set(words) <= {"refrigerant", "toxic", "flammable"}:
            return found.key in group.split(";")
        return all(found.is_refrigerant if word == "refrigerant" else word in found.hazards for word in words)


@dataclass(frozen=True, slots=True)
class RuleLevel:
    """A rule's level for one gas, as a volume fraction."""

    rule: AlarmRule
    level_ppm: Number
    basis: str
    """How the level came about: `25 % of 144,000 ppm, the lowest LFL (ISO 817)`."""
    unread: bool
    """Whether the rule, or the figure that its level is a share of, was recalled and not re-read."""


@cache
def all_rules() -> tuple[AlarmRule, ...]:
    """Every rule of the data file."""
    return tuple(
        AlarmRule(
            id=row["id"],
            place=row["place"],
            gases=row["gases"],
            min_charge_kg=float(row["min_charge_kg"]),
            condition=row["condition"],
            stage=row["stage"],
            direction=cast(Literal["rising", "falling"], row["direction"]),
            of=row["of"],
            level=number_of(row["level"]),
            action=row["action"],
            respond_within_s=number_of(row["respond_within_s"]),
            origin=origin_of(row),
        )
        for row in rows("rules.tsv")
    )


def places() -> tuple[str, ...]:
    """Places that some rule speaks of, in the order of the data."""
    return tuple(dict.fromkeys(rule.place for rule in all_rules()))


def rules_for(gas_key: str, *, place: str | None = None, charge_kg: float | None = None) -> tuple[RuleLevel, ...]:
    """The published levels for a gas, resolved to ppm.

    `place` keeps the rules of one place (and of any room); `charge_kg` leaves out rules that begin above that charge.

    >>> [(r.rule.stage, r.level_ppm) for r in rules_for("NH3", place="machinery room") if r.rule.id.startswith("iiar2")]
    [('low', 25.0), ('high', 150.0), ('stop', 40000.0)]
    """
    found = gas(gas_key)
    return tuple(
        _resolve(rule, found)
        for rule in all_rules()
        if rule.applies_to(found)
        and (place is None or rule.place in (place, "any room"))
        and (charge_kg is None or rule.min_charge_kg == 0.0 or charge_kg > rule.min_charge_kg)
    )


def _resolve(rule: AlarmRule, found: Gas) -> RuleLevel:
    unread = rule.origin.verified == "from memory"
    if isinstance(rule.level, Missing):
        return RuleLevel(rule, rule.level, rule.of, unread)
    if rule.of == "ppm":
        return RuleLevel(rule, rule.level, "stated by the rule", unread)
    whole = _whole(rule.of, found)
    if whole is None:
        return RuleLevel(rule, Missing.UNKNOWN, f"{rule.of}: the table has no figure for {found.key}", unread)
    name, ppm, origin = whole
    share = rule.level / 100.0 if rule.of == "%LFL" else rule.level
    basis = f"{number(100.0 * share)} % of {number(ppm)} ppm, {name}"
    return RuleLevel(rule, share * ppm, basis, unread or origin.verified == "from memory")


def _whole(of: str, found: Gas) -> tuple[str, float, Origin] | None:
    """The figure that a share is taken of: its name, its value in ppm, and where it comes from."""
    if of == "%LFL":
        lowest = next(iter(lower_flammable_limits(found)), None)
        return None if lowest is None else (f"the lowest LFL ({lowest[1].standard})", lowest[0], lowest[1].origin)
    if of == "share of practical limit":
        row = found.limit("EN 378-1 practical limit", "kg/m3")
        if row is None or isinstance(row.value, Missing):
            return None
        return f"{row.name} at 25 degC", convert(row.value, "kg/m3", "ppm", gas=found.key), row.origin
    names = {
        "share of PEL": ("OSHA PEL TWA", "OSHA PEL C"),
        "share of OEL": ("ASHRAE 34 OEL",),
        "share of IDLH": ("NIOSH IDLH",),
    }[of]
    lowest_limit = lowest_of(found, *names)
    return None if lowest_limit is None else (lowest_limit.name, lowest_limit.ppm, lowest_limit.origin)


@dataclass(frozen=True, slots=True)
class NamedLevel:
    """A limit as a volume fraction."""

    name: str
    ppm: float
    origin: Origin


def lowest_of(found: Gas, *names: str) -> NamedLevel | None:
    """The lowest of these limits that is a number in ppm."""
    levels = [
        NamedLevel(row.name, row.value, row.origin)
        for row in found.limits
        if row.name in names and row.unit == "ppm" and not isinstance(row.value, Missing)
    ]
    return min(levels, key=lambda level: level.ppm, default=None)
