"""The bytes of a site file to a `Site`. Only edges call `read_site`, the one function here that opens a file."""

from __future__ import annotations

from pathlib import Path

from gaswitness.errors import Fault, InputFaults
from gaswitness.site.load import load_site
from gaswitness.site.records import Site

_MAX_BYTES = 8_000_000


def site_from_bytes(data: bytes, source: str) -> Site:
    """Read a site from the bytes of a file; raises InputFaults with every fault there is."""
    if len(data) > _MAX_BYTES:
        raise InputFaults(source, (Fault("$", f"found {len(data)} bytes, expected at most {_MAX_BYTES}"),))
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        fault = Fault("$", f"found byte {data[error.start]:#04x}, which is not UTF-8", "save the file as UTF-8", line)
        raise InputFaults(source, (fault,)) from error
    return load_site(text, source)


def read_site(path: Path) -> Site:
    """Read a site file; raises InputFaults with every fault there is, OSError where it cannot be opened."""
    return site_from_bytes(path.read_bytes(), str(path))
