"""What the records say about themselves: which keys a place in the file may hold, and what is meant by each."""

from __future__ import annotations

import types
from collections.abc import Sequence
from typing import Annotated, Any, Union, get_args, get_origin

from gaswitness.records import Record


def keys_of(record: type[Record]) -> tuple[str, ...]:
    """Keys as written in a file.

    >>> from gaswitness.site.records import Role
    >>> keys_of(Role)
    ('role', 'reach')
    """
    return tuple(field.alias or name for name, field in record.model_fields.items())


def record_at(root: type[Record], location: Sequence[str | int]) -> type[Record] | None:
    """The record that a place in the file is read into; None where that is a plain value or unknown.

    >>> from gaswitness.site.records import Site
    >>> record_at(Site, ("detectors", 0, "alarms", 1)).__name__
    'AlarmPointSpec'
    """
    here: Any = root
    for step in location:
        if isinstance(step, int):
            here = next(iter(get_args(bare(here))), None)
        elif isinstance(here := bare(here), type) and issubclass(here, Record):
            fields = {field.alias or name: field.annotation for name, field in here.model_fields.items()}
            here = fields.get(step)
        else:
            return None
    here = bare(here)
    return here if isinstance(here, type) and issubclass(here, Record) else None


def bare(annotation: Any) -> Any:
    """The annotation without `Annotated` and without `| None`.

    >>> bare(Annotated[int, "of steps"] | None)
    <class 'int'>
    """
    while True:
        if get_origin(annotation) is Annotated:
            annotation = get_args(annotation)[0]
        elif get_origin(annotation) in (Union, types.UnionType):
            annotation = next(part for part in get_args(annotation) if part is not type(None))
        else:
            return annotation
