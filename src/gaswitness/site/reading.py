"""The bytes of a site file to a `Site`. Only edges call `read_site`, the one function here that opens a file."""

from __future__ import annotations

from pathlib import Path

from gaswitness.errors import Fault, Unreadable
from gaswitness.sentence import said
from gaswitness.site.load import site_of
from gaswitness.site.records import Site
from gaswitness.site.tree import Tree, read_tree

_MAX_BYTES = 8_000_000
_ZIP = b"PK"
"""A spreadsheet is a zip archive, and no YAML text of a site begins so."""


def tree_from_bytes(data: bytes, source: str) -> Tree:
    """Plain data from the bytes of a site file, YAML or spreadsheet; raises Unreadable."""
    if len(data) > _MAX_BYTES:
        raise Unreadable(
            source,
            (Fault("$", said("found {count} bytes, expected at most {most}", count=len(data), most=_MAX_BYTES)),),
        )
    if data.startswith(_ZIP):
        from gaswitness.site.sheet import read_sheets  # openpyxl takes longer to import than all the rest

        return read_sheets(data, source)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        fault = Fault(
            "$",
            said("found byte {byte}, which is not UTF-8", byte=format(data[error.start], "#04x")),
            said("save the file as UTF-8"),
            line,
        )
        raise Unreadable(source, (fault,)) from error
    return read_tree(text, source)


def site_from_bytes(data: bytes, source: str) -> Site:
    """Read a site from the bytes of a file; raises InputFaults with every fault there is."""
    return site_of(tree_from_bytes(data, source), source)


def read_site(path: Path) -> Site:
    """Read a site file; raises InputFaults with every fault there is, OSError where it cannot be opened."""
    return site_from_bytes(path.read_bytes(), str(path))
