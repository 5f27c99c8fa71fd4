"""The owner's register: what was kept, as sheets that print and sort, and the due list as a sheet of its own."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date

from gaswitness.history.paper import COLUMNS
from gaswitness.history.record import record_of
from gaswitness.history.store import Store
from gaswitness.history.table import Cell, write_csv, write_xlsx
from gaswitness.learn.due import Due
from gaswitness.learn.records import DetectorTest

DUE_COLUMNS = ("site", "what is due", "of", "due", "state", "days", "last test", "certificate", "why", "simulated")
INDEX = (
    ("Findings", "finding"),
    ("Effects", "effect_line"),
    ("Inhibits", "inhibit"),
    ("Bottles", "cylinder_use"),
    ("Adjustments", "adjustment"),
    ("Certificates", "certificate"),
    ("Visits", "visit"),
    ("Corrections", "correction"),
)
"""Sheets that show tables of the store as they are, everything included that something later took the place of."""
Sheet = tuple[str, Sequence[str], Sequence[Sequence[Cell]]]


def due_rows(dues: Iterable[Due]) -> list[list[Cell]]:
    """The due list by DUE_COLUMNS."""
    return [
        [
            one.site, one.kind, one.what, one.due, one.state, one.days, one.last, one.certificate_id, one.why,
            one.simulated or None,
        ]
        for one in dues
    ]  # fmt: skip


def due_xlsx(dues: Iterable[Due], today: date) -> bytes:
    """The due list as a spreadsheet."""
    return write_xlsx([("Due", DUE_COLUMNS, due_rows(dues))], footer=f"Due list of {today.isoformat()}")


def due_csv(dues: Iterable[Due]) -> bytes:
    """The due list as CSV."""
    return write_csv(DUE_COLUMNS, due_rows(dues))


def records_csv(tests: Iterable[DetectorTest], operators: dict[str, str]) -> bytes:
    """Every test as a record that `import` reads again."""
    return write_csv(tuple(COLUMNS), [record_of(test, operators.get(test.visit, "")) for test in tests])


def register_xlsx(store: Store, tests: Sequence[DetectorTest], dues: Iterable[Due], today: date) -> bytes:
    """The whole register; its first sheet is what `import` reads again."""
    operators = operators_of(store)
    sheets: list[Sheet] = [
        ("Tests", tuple(COLUMNS), [record_of(test, operators.get(test.visit, "")) for test in tests]),
        ("Due", DUE_COLUMNS, due_rows(dues)),
    ]
    visits = {test.visit for test in tests}
    for title, table in INDEX:
        rows = store.rows(table)
        key = "visit" if table != "correction" else "by"
        chosen = [row for row in rows if row[key] in visits or table == "correction"]
        columns = tuple(chosen[0]) if chosen else (key,)
        sheets.append((title, columns, [[row[column] for column in columns] for row in chosen]))
    kept = store.originals()
    sheets.append(("Files", ("name", "kind", "kept", "SHA-256"), [[k.name, k.kind, k.kept_at, k.sha256] for k in kept]))
    return write_xlsx(sheets, footer=f"Register of {today.isoformat()}")


def operators_of(store: Store) -> dict[str, str]:
    """Who carried out each visit."""
    return {row["visit"]: row["operator"] for row in store.rows("visit")}
