"""Text to `Site`, or every fault of it at once, each with its path, its line and what to do.

What is a fault here and what only in the sense-check: a `Site` that was loaded has values of the right kind and within
what nature allows, and every name in it stands for something. Whether it would make a good alarm system is asked by
`gaswitness.site.sense`.
"""

from __future__ import annotations

import difflib
import re
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from gaswitness.errors import Fault, InputFaults, Unreadable
from gaswitness.records import UNITS_REQUIRED
from gaswitness.sentence import Figure, listed, said
from gaswitness.site.gasnames import settle_gas_names
from gaswitness.site.lfl import settle_lfl
from gaswitness.site.records import SITE_FORMAT, Site
from gaswitness.site.references import reference_faults, rows
from gaswitness.site.shape import keys_of, record_at
from gaswitness.site.tree import Tree, child, read_tree

_SHOWN = 60
_MESSAGE = 400


def load_site(text: str, source: str) -> Site:
    """Read a site from YAML text; `source` names it in messages.

    Raises InputFaults with every fault there is.
    """
    return site_of(read_tree(text, source), source)


def site_of(tree: Tree, source: str) -> Site:
    """Read a site from plain data, whose gas names and `%LFL` levels are settled in place.

    Raises InputFaults with every fault there is.
    """
    data = tree.data
    made_for = data.get("gaswitness", SITE_FORMAT)
    if made_for != SITE_FORMAT:
        message = said(
            "found the format {found}, expected {expected}", found=_short(made_for), expected=repr(SITE_FORMAT)
        )
        hint = said("this program reads that format only; was the file made for another version?")
        raise Unreadable(source, (Fault("$.gaswitness", message, hint, tree.line("$.gaswitness")),))
    faults = [fault for path, row in rows(data, "detectors") for fault in settle_lfl(row, path)]
    faults += settle_gas_names(data)
    site: Site | None = None
    try:
        site = Site.model_validate(data, context=UNITS_REQUIRED, by_alias=True, by_name=False)
    except ValidationError as error:
        faults += [_fault(details) for details in error.errors(include_url=False) if not _only_an_echo(details)]
    faults += reference_faults(data)
    if faults or tree.faults or site is None:
        told = {fault.path for fault in tree.faults}
        placed = [fault for fault in map(tree.place, faults) if fault.path not in told]
        raise InputFaults(source, tuple(sorted((*tree.faults, *placed), key=lambda fault: fault.line or 0)))
    return site


def _only_an_echo(details: ErrorDetails) -> bool:
    """A list is called too short when its entries were refused; those are told already."""
    return details["type"] == "too_short" and len(details["input"]) >= details["ctx"]["min_length"]


def _fault(details: ErrorDetails) -> Fault:
    """One complaint of the records in our own words: found, expected, hint."""
    location, kind = details["loc"], details["type"]
    context: dict[str, Any] = details.get("ctx", {})
    path = "$"
    for step in location:
        path = child(path, step)
    found = _short(details["input"])
    hint = ""
    if kind == "extra_forbidden":
        record = record_at(Site, location[:-1])
        known = keys_of(record) if record else ()
        name = str(location[-1])
        close = difflib.get_close_matches(name[:80], known, n=1, cutoff=0.5)
        message = said(
            "found the unknown key {found}, expected one of {known}", found=repr(name[:80]), known=listed(known)
        )
        hint = (
            said("did you mean {close}?", close=repr(close[0]))
            if close
            else said("take it out; notes belong into comments")
        )
    elif kind == "missing":
        message = said("the key {key} is missing, and cannot be guessed", key=repr(str(location[-1])))
        hint = _example(location)
    elif kind == "value_error":
        message = context["error"].args[0]
        hint = _example(location)
    elif kind == "string_pattern_mismatch":
        message = said(
            "found {found}, expected a name of letters, digits, `-` and `_` that begins with a letter", found=found
        )
    else:
        message = said("found {found}, expected {expected}", found=found, expected=_expected(kind, context))
        hint = _example(location)
    if len(message) > _MESSAGE:
        message = message[:_MESSAGE] + " ..."
    return Fault(path, message, hint)


_EXPECTED = {
    "bool_parsing": said("true or false"),
    "bool_type": said("true or false"),
    "date_from_datetime_parsing": said("a date as 2027-06-30"),
    "date_parsing": said("a date as 2027-06-30"),
    "date_type": said("a date as 2027-06-30"),
    "date_from_datetime_inexact": said("a date as 2027-06-30"),
    "float_parsing": said("a number"),
    "float_type": said("a number"),
    "finite_number": said("a finite number"),
    "int_parsing": said("a whole number"),
    "int_parsing_size": said("a whole number of usual size"),
    "int_from_float": said("a whole number"),
    "int_type": said("a whole number"),
    "string_type": said("text"),
    "string_unicode": said("text of whole characters"),
    "tuple_type": said("a list"),
    "model_type": said("a mapping of keys to values"),
}


def _expected(kind: str, context: dict[str, Any]) -> str:
    """What a value should have been; bounds and choices come from the record."""
    if kind in _EXPECTED:
        return _EXPECTED[kind]
    if kind == "literal_error":
        return _choices(str(context["expected"]))
    if kind == "string_too_long":
        return said("at most {count} characters", count=context["max_length"])
    if kind == "too_short":
        return said("at least {count} entry", count=context["min_length"])
    for key, bound in context.items():
        match key, Figure(bound):
            case "ge", limit:
                return said("{limit} or more", limit=limit)
            case "gt", limit:
                return said("more than {limit}", limit=limit)
            case "le", limit:
                return said("{limit} or less", limit=limit)
            case "lt", limit:
                return said("less than {limit}", limit=limit)
    return said("another kind of value")


def _choices(expected: str) -> str:
    """`'steady', 'flashing' or 'pulsed'`, as the records have it."""
    *most, last = re.findall(r"'[^']*'", expected) or [expected]
    return listed([listed(most), last], " or ") if most else last


def _example(location: tuple[str | int, ...]) -> str:
    """`for example: set: 25 ppm`, where the record gives an example of this key."""
    if not location or not isinstance(location[-1], str):
        return ""
    record = record_at(Site, location[:-1])
    if record is None:
        return ""
    schema = record.model_json_schema(by_alias=True).get("properties", {}).get(location[-1], {})
    for branch in (schema, *schema.get("anyOf", ())):
        target = branch
        if examples := target.get("examples"):
            return said("for example {example}", example=f"{location[-1]}: {examples[0]}")
    return ""


def _short(value: object) -> str:
    if isinstance(value, dict):
        return said("a mapping")
    if isinstance(value, list):
        return said("a list")
    if value is None:
        return said("nothing")
    text = repr(value)
    return text if len(text) <= _SHOWN else text[:_SHOWN] + "...'"
