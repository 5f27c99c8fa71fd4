"""Gas names of a description to the one key each gas has in the table: `R-717` and `ammonia` become `NH3`."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from gaswitness.errors import Fault, InputError
from gaswitness.gases import gas
from gaswitness.gases.hazards import AIRS
from gaswitness.sentence import said
from gaswitness.site.references import Mapping, rows
from gaswitness.site.tree import child


def settle_gas_names(data: Mapping) -> list[Fault]:
    """Put the table's key in place of every gas name, in place; the faults where the table knows no such gas."""
    faults = []
    for path, holder, key in _places(data):
        name: Any = holder.get(key)
        if not isinstance(name, str) or (key == "balance" and name.strip().casefold() in AIRS):
            continue
        try:
            holder[key] = gas(name[:80]).key
        except InputError as error:
            what = said("a gas of the table, or `air`") if key == "balance" else said("a gas of the table")
            faults.append(
                Fault(
                    child(path, key),
                    said("found {found}, expected {expected}", found=repr(name[:80]), expected=what),
                    error.hint,
                )
            )
    return faults


def _places(data: Mapping) -> Iterator[tuple[str, Mapping, str]]:
    for path, row in rows(data, "areas"):
        for key in ("background", "charges"):
            for at, entry in rows(row, key, path):
                yield at, entry, "gas"
    for path, row in rows(data, "detectors"):
        yield path, row, "gas"
    for path, row in rows(data, "cylinders"):
        for key in ("gas", "surrogate_for", "balance"):
            yield path, row, key
