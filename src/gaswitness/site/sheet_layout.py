"""How a site lies in a spreadsheet: one sheet for each kind of record, one column for each key, taken from the records.

A record within a record becomes dotted columns (`ventilation.normal`); a list of records becomes a sheet of its own,
whose first column names the row it belongs to (`Alarms` by the tag of the detector, `Bits` by the number of the link).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, get_args, get_origin

from gaswitness.records import Record
from gaswitness.site.amounts import Amount
from gaswitness.site.records import (
    AlarmPointSpec,
    Area,
    Background,
    Charge,
    Cylinder,
    Detector,
    Effect,
    Hearing,
    MatrixLine,
    Opening,
    Post,
    Role,
    Site,
    VoteGroup,
)
from gaswitness.site.shape import bare
from gaswitness.site.wires import BitEntry, LinkSpec, ObjectEntry, RegisterEntry, TopicEntry

GENERAL = "Site"
"""The sheet of two columns, key and value, for what a site has once."""
KEY, VALUE = "key", "value"


@dataclass(frozen=True, slots=True)
class Column:
    """One key of a record, dotted where it lies deeper."""

    name: str
    is_text: bool
    """Text, and not a quantity: a number typed there is taken as text."""
    is_list: bool
    """A list of names, written with commas."""

    @property
    def steps(self) -> tuple[str, ...]:
        """The keys on the way."""
        return tuple(self.name.split("."))


@dataclass(frozen=True, slots=True)
class Table:
    """One sheet that holds a list of records."""

    sheet: str
    key: str
    """Key of the list in the site, or in the parent's row."""
    record: type[Record]
    parent: str | None = None
    """Sheet of the rows that these belong to."""
    owner: str = ""
    """Name of the column that says which row."""

    @property
    def columns(self) -> tuple[Column, ...]:
        """Columns of the record, without the owner's."""
        return columns_of(self.record)


TABLES = (
    Table("Areas", "areas", Area),
    Table("Background", "background", Background, "Areas", "area"),
    Table("Charges", "charges", Charge, "Areas", "area"),
    Table("Openings", "openings", Opening),
    Table("Detectors", "detectors", Detector),
    Table("Alarms", "alarms", AlarmPointSpec, "Detectors", "detector"),
    Table("Groups", "groups", VoteGroup),
    Table("Posts", "posts", Post),
    Table("Hears", "hears", Hearing, "Posts", "post"),
    Table("Effects", "effects", Effect),
    Table("Matrix", "matrix", MatrixLine),
    Table("Cylinders", "cylinders", Cylinder),
    Table("Links", "links", LinkSpec),
    Table("Registers", "registers", RegisterEntry, "Links", "link"),
    Table("Bits", "bits", BitEntry, "Links", "link"),
    Table("Objects", "objects", ObjectEntry, "Links", "link"),
    Table("Topics", "topics", TopicEntry, "Links", "link"),
    Table("Warn", "warn", Role),
)


def columns_of(record: type[Record], prefix: str = "") -> tuple[Column, ...]:
    """Columns of a record; lists of records are left out, since they have sheets of their own.

    >>> [column.name for column in columns_of(Area)][-2:]
    ['ventilation.normal', 'ventilation.emergency']
    """
    columns: list[Column] = []
    for name, field in record.model_fields.items():
        key, kind = prefix + (field.alias or name), bare(field.annotation)
        if get_origin(kind) is tuple:
            inner = bare(get_args(kind)[0])
            if not _is_record(inner):
                columns.append(Column(key, is_text=False, is_list=True))
        elif _is_record(kind):
            columns += columns_of(kind, f"{key}.")
        else:
            columns.append(Column(key, is_text=kind is str, is_list=False))
    return tuple(columns)


def _is_record(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, Record) and not issubclass(kind, Amount)


GENERAL_COLUMNS = columns_of(Site)
