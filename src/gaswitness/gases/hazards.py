"""What a bottle of test gas may do to people, at the level it holds, and the usual cautions.

Common practice, no source, unless the line names one. The last line always hands the decision to local codes, site
rules and licensed persons.
"""

from __future__ import annotations

from gaswitness.errors import InputError
from gaswitness.gases.facts import Gas, Hazard, Missing
from gaswitness.gases.table import gas, lower_flammable_limits
from gaswitness.sentence import figure, said

DEFERRAL = said("Local codes, the rules of the site and licensed persons decide; nothing here replaces them.")
AIR_O2_PPM = 209_500.0
"""Oxygen of dry air; common practice."""
O2_LOW_PPM = 195_000.0
O2_HIGH_PPM = 235_000.0
"""29 CFR 1910.146(b): hazardous below 19.5 or above 23.5 %vol."""

AIRS = frozenset({"air", "synthetic air", "zero air", "clean air"})
_BREATHING_LIMITS = ("C", "STEL", "TWA", "IDLH", "peak")


def oxygen_ppm(gas_key: str, level_ppm: float, balance: str) -> float:
    """Oxygen in the bottle: of the balance air, or of the oxygen it holds itself.

    >>> round(oxygen_ppm("CO2", 20_000.0, "air"))
    205310
    >>> oxygen_ppm("CO2", 20_000.0, "N2")
    0.0
    """
    key = gas(gas_key).key
    if not 0.0 <= level_ppm <= 1e6:
        raise InputError("a gas level is out of range", found=level_ppm, expected="0 to 1 000 000 ppm")
    in_air = balance.strip().casefold() in AIRS
    if key == "O2":
        return level_ppm + (AIR_O2_PPM * (1.0 - level_ppm * 1e-6) if in_air else 0.0)
    if in_air:
        return AIR_O2_PPM * (1.0 - level_ppm * 1e-6)
    return 1e6 - level_ppm if gas(balance).key == "O2" else 0.0


def lowest_breathing_limit_ppm(found: Gas) -> tuple[str, float] | None:
    """The lowest workplace limit the table has for a gas, with its name."""
    rows = [
        (row.value, row.name)
        for row in found.limits
        if row.unit == "ppm" and row.kind in _BREATHING_LIMITS and not isinstance(row.value, Missing)
    ]
    return (min(rows)[1], min(rows)[0]) if rows else None


def hazards_at(gas_key: str, level_ppm: float, balance: str) -> frozenset[Hazard]:
    """Which hazards a bottle has at the level it holds.

    toxic: at or above the lowest workplace limit; flammable: at or above a quarter of the lowest lower flammable
    limit (leaving the factor four that rules for rooms leave); asphyxiant: less than 19.5 %vol oxygen;
    oxidiser: more than 23.5 %vol oxygen.

    >>> sorted(hazards_at("CO2", 20_000.0, "N2"))
    ['asphyxiant', 'toxic']
    >>> sorted(hazards_at("CH4", 25_000.0, "air"))
    ['flammable']
    """
    found = gas(gas_key)
    hazards: set[Hazard] = set()
    limit = lowest_breathing_limit_ppm(found)
    if "toxic" in found.hazards and (limit is None or level_ppm >= limit[1]):
        hazards.add("toxic")
    burning = lower_flammable_limits(found)
    if burning and level_ppm >= 0.25 * burning[0][0]:
        hazards.add("flammable")
    o2_ppm = oxygen_ppm(gas_key, level_ppm, balance)
    if o2_ppm < O2_LOW_PPM:
        hazards.add("asphyxiant")
    if o2_ppm > O2_HIGH_PPM or ("oxidiser" in found.hazards and found.key != "O2" and level_ppm >= 1e5):
        hazards.add("oxidiser")
    return frozenset(hazards)


def cautions(gas_key: str, level_ppm: float, balance: str) -> tuple[str, ...]:
    """The usual cautions for a test gas, worst first, ending with who decides.

    >>> cautions("NH3", 400.0, "N2")[0]
    'Toxic: 400 ppm NH3 is at or above the NIOSH IDLH of 300 ppm, immediately dangerous to life or health.'
    """
    found = gas(gas_key)
    present = hazards_at(gas_key, level_ppm, balance)
    lines: list[str] = []
    if "toxic" in present:
        lines += _toxic(found, level_ppm)
    if "flammable" in present:
        lines += _flammable(found, level_ppm)
    if "asphyxiant" in present:
        o2 = oxygen_ppm(gas_key, level_ppm, balance) / 1e4
        lines.append(
            said(
                "Asphyxiating: the bottle holds {o2} %vol oxygen, less than 19.5 %vol (29 CFR 1910.146). "
                "Breathing it may stun at once and without warning; keep it out of small and low rooms.",
                o2=figure(o2, ".4g"),
            )
        )
    if "oxidiser" in present:
        lines.append(
            said("Oxidising: it makes other things burn fiercely. No oil or grease on fittings, no flame near.")
        )
    if present & {"toxic", "flammable", "asphyxiant"}:
        lines.append(
            said(
                "Use the smallest flow that the cap needs, shut the bottle as soon as the figures are "
                "in, keep the room aired or lead the outlet to a safe place; do not work alone, and "
                "carry a personal gas monitor."
            )
        )
    lines += _of_the_gas(found)
    lines.append(
        said(
            "Cylinder: secure it upright, right regulator, cap on when moved; check pressure and "
            "expiry. High pressure can cut, and launch the bottle. Follow its safety data sheet."
        )
    )
    lines.append(DEFERRAL)
    return tuple(lines)


def _toxic(found: Gas, level_ppm: float) -> list[str]:
    idlh_ppm = found.limit_value("NIOSH IDLH")
    if idlh_ppm is not None and level_ppm >= idlh_ppm:
        return [
            said(
                "Toxic: {level} ppm {key} is at or above the NIOSH IDLH of {idlh} ppm, immediately "
                "dangerous to life or health.",
                level=figure(level_ppm, "g"),
                key=found.key,
                idlh=figure(idlh_ppm, "g"),
            )
        ]
    lowest = lowest_breathing_limit_ppm(found)
    if lowest is None:
        return [said("Toxic: {key}; its workplace limit is unknown here.", key=found.key)]
    name, limit_ppm = lowest
    return [
        said(
            "Toxic: {level} ppm {key} is at or above a workplace limit ({name} {limit} ppm).",
            level=figure(level_ppm, "g"),
            key=found.key,
            name=name,
            limit=figure(limit_ppm, "g"),
        )
    ]


def _flammable(found: Gas, level_ppm: float) -> list[str]:
    lfl_ppm, lowest = lower_flammable_limits(found)[0]
    share = 100.0 * level_ppm / lfl_ppm
    may = said("it burns in air") if share >= 100.0 else said("it nears what burns in air")
    return [
        said(
            "Flammable: {level} ppm {key} is {share} % of the lower flammable limit by {standard} "
            "({lfl} %vol), {may}. No ignition source near; only tools rated for the area, no live "
            "work.",
            level=figure(level_ppm, "g"),
            key=found.key,
            share=figure(share, ".0f"),
            standard=lowest.standard,
            lfl=figure(lfl_ppm / 1e4, ".3g"),
            may=may,
        )
    ]


def _of_the_gas(found: Gas) -> list[str]:
    lines = []
    if found.key == "NH3":
        lines.append(said("Ammonia burns eyes and skin; from the liquid a cold, dense cloud may form and sink."))
    if found.key == "H2S":
        lines.append(said("Hydrogen sulfide numbs the nose: no smell does not mean no gas."))
    if found.key == "CO2":
        lines.append(said("An oxygen detector does not guard against carbon dioxide: watch the carbon dioxide itself."))
    if found.key == "O2":
        lines.append(
            said("An oxygen detector does not prove safety from a toxic gas: below its alarm much may be present.")
        )
    if found.key.startswith("R-"):
        lines.append(
            said(
                "Letting a fluorinated gas go on purpose is banned where it is not technically needed "
                "(Regulation (EU) 2024/573 Article 4): prefer a surrogate, or collect what comes out."
            )
        )
    return lines
