"""The table of gases: read once from the data files beside this module, looked up by key or alias.

The files are tab-separated, one figure a row, each row with its source (spelled out in ``sources.tsv``) and
how far it was verified. Blends are computed here from their make-up; nothing else is derived.
"""

from __future__ import annotations

import csv
import difflib
from collections import defaultdict
from collections.abc import Iterator
from functools import cache
from importlib.resources import files
from typing import cast

from gaswitness.errors import InputError
from gaswitness.gases.facts import (
    FlammableLimit,
    Gas,
    Hazard,
    Limit,
    Missing,
    Number,
    Origin,
    Part,
    ReadIn,
    Verified,
    WarmingPotential,
)
from gaswitness.sentence import listed, said, together

Row = dict[str, str]


def rows(name: str) -> Iterator[Row]:
    """Rows of one data file."""
    with files("gaswitness.gases").joinpath("data", name).open(encoding="utf-8") as lines:
        yield from csv.DictReader(lines, delimiter="\t", quoting=csv.QUOTE_NONE)


@cache
def sources() -> dict[str, str]:
    """Short name of a source to its full citation."""
    return {row["id"]: row["text"] for row in rows("sources.tsv")}


@cache
def read_in() -> dict[str, ReadIn | None]:
    """Short name of a source to where its figures were read; None for what was not read."""
    return {row["id"]: None if row["read_in"] == "-" else cast(ReadIn, row["read_in"]) for row in rows("sources.tsv")}


def origin_of(row: Row, prefix: str = "") -> Origin:
    """Source and verification of a row, or of one cell of it that has its own columns."""
    source, verified = row[f"{prefix}source"], cast(Verified, row[f"{prefix}verified"])
    return Origin(sources()[source], verified, read_in()[source] if verified == "read" else None)


def number_of(text: str) -> Number:
    """A number, or the reason why there is none."""
    return Missing(text) if text in ("unknown", "none") else float(text)


def _grouped(name: str, key: str = "gas") -> dict[str, list[Row]]:
    groups: dict[str, list[Row]] = defaultdict(list)
    for row in rows(name):
        groups[row[key]].append(row)
    return groups


_UNKNOWN = Origin("no source", "unknown")


def _warming(rows_of: dict[str, list[Row]], key: str, parts: tuple[Part, ...]) -> tuple[WarmingPotential, ...]:
    own = tuple(
        WarmingPotential(row["set"], float(row["value"]), row["below"] == "yes", origin_of(row))
        for row in rows_of.get(key, [])
    )
    if not parts:
        return own
    by_part = [{found.set: found for found in _warming(rows_of, part.gas, ())} for part in parts]
    shared = [name for name in by_part[0] if all(name in known for known in by_part)]
    return tuple(
        WarmingPotential(
            name,
            sum(part.mass_fraction * known[name].value for part, known in zip(parts, by_part, strict=True)),
            any(known[name].below for known in by_part),
            Origin(
                f"sum of mass fraction x GWP of the parts, {name}",
                "from memory"
                if any(known[name].origin.verified == "from memory" for known in by_part)
                or any(part.origin.verified == "from memory" for part in parts)
                else "computed",
            ),
        )
        for name in shared
    )


@cache
def all_gases() -> dict[str, Gas]:
    """Every gas of the table by its canonical key, in the table's order."""
    blends, density, classes = _grouped("blends.tsv", "blend"), _grouped("density.tsv"), _grouped("classes.tsv")
    limits, burning, warming = _grouped("limits.tsv"), _grouped("flammability.tsv"), _grouped("gwp.tsv")
    molar_mass: dict[str, float] = {}
    table: dict[str, Gas] = {}
    for row in rows("gases.tsv"):
        key = row["key"]
        parts = tuple(
            Part(part["component"], float(part["mass_percent"]) / 100.0, origin_of(part)) for part in blends[key]
        )
        molar_mass[key] = (
            1.0 / sum(part.mass_fraction / molar_mass[part.gas] for part in parts)
            if parts
            else float(row["molar_mass_g_mol"])
        )
        class_row = classes[key][0] if classes[key] else None
        table[key] = Gas(
            key=key,
            name=row["name"],
            formula=row["formula"],
            cas=row["cas"],
            molar_mass_g_mol=molar_mass[key],
            identity=origin_of(row),
            aliases=tuple(alias for alias in row["aliases"].split(";") if alias),
            hazards=frozenset(cast(list[Hazard], row["hazards"].split(";"))),
            hazards_origin=origin_of(row, "hazards_"),
            moves=row["moves"],
            moves_origin=origin_of(row, "moves_"),
            relative_density=number_of(density[key][0]["relative_density"]),
            density_origin=origin_of(density[key][0]),
            safety_class=class_row["safety_class"] if class_row else "unknown",
            class_origin=origin_of(class_row) if class_row else _UNKNOWN,
            limits=tuple(
                Limit(cell["body"], cell["kind"], number_of(cell["value"]), cell["unit"], origin_of(cell), cell["note"])
                for cell in limits[key]
            ),
            flammability=tuple(
                FlammableLimit(
                    cell["standard"],
                    "LFL" if cell["bound"] == "LFL" else "UFL",
                    number_of(cell["value"]),
                    cell["unit"],
                    origin_of(cell),
                    molar_mass[key],
                    cell["note"],
                )
                for cell in burning[key]
            ),
            parts=parts,
            warming=_warming(warming, key, parts),
        )
    return table


@cache
def _names() -> dict[str, str]:
    """Every name a gas may be called by, folded, to its key. Only names that stand for one gas."""
    names: dict[str, str] = {}
    for key, found in all_gases().items():
        for name in (key, found.name, *found.aliases):
            names[_folded(name)] = key
    return names


def _folded(name: str) -> str:
    return name.casefold().replace(" ", "").replace("-", "")


def gas(key: str) -> Gas:
    """The gas of this key, alias or name; upper and lower case, spaces and hyphens do not matter.

    >>> gas("R-744").key
    'CO2'
    >>> round(gas("R-410A").molar_mass_g_mol, 3)
    72.585

    Raises InputError with a near name when there is no such gas.
    """
    found = _names().get(_folded(key))
    if found is not None:
        return all_gases()[found]
    near = difflib.get_close_matches(_folded(key), _names(), n=1, cutoff=0.5)
    meant = said("did you mean {close}?", close=repr(_names()[near[0]])) if near else ""
    raise InputError(
        said("no such gas in the table"),
        found=key,
        expected=said("a gas that the table holds"),
        hint=together(meant, said("it holds {known}", known=listed(all_gases()))),
    )


def lfl(key: str, standard: str) -> FlammableLimit:
    """Lower flammable limit of a gas by a named standard, which every %LFL must carry.

    >>> lfl("C3H8", "IEC 60079-20-1").ppm, lfl("C3H8", "NFPA 497").ppm
    (17000.0, 21000.0)

    Raises InputError naming the standards that the table has for this gas.
    """
    found = gas(key)
    rows_of = {row.standard: row for row in found.flammability if row.bound == "LFL" and row.ppm is not None}
    if standard in rows_of:
        return rows_of[standard]
    if not rows_of:
        raise InputError(
            said("{key} has no lower flammable limit in the table", key=found.key),
            hint=said("%LFL has no meaning for it"),
        )
    raise InputError(
        said("no lower flammable limit of {key} by that standard", key=found.key),
        found=standard,
        expected=listed(rows_of, " or "),
        hint=said("the same gas has different limits by different standards, so the standard must be named"),
    )


def lower_flammable_limits(found: Gas) -> tuple[tuple[float, FlammableLimit], ...]:
    """The lower flammable limits of a gas that are numbers, in ppm, lowest first; empty when it does not burn."""
    burning = [(row.ppm, row) for row in found.flammability if row.bound == "LFL"]
    return tuple(sorted(((ppm, row) for ppm, row in burning if ppm is not None), key=lambda pair: pair[0]))
