"""Paper: one look for all of it, typeset offline with the fonts that come with the typesetter."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

PACKAGE = Path(__file__).resolve().parents[1]


def typeset(template: Path, view: Mapping[str, Any], made: datetime) -> bytes:
    """A PDF/A-2b from a template of this package; `view` is all it prints, worded and rounded.

    The same view and instant give the same bytes.
    """
    import typst

    pdf = typst.compile(
        str(template),
        root=str(PACKAGE),
        ignore_system_fonts=True,
        sys_inputs={"data": json.dumps(view, allow_nan=False)},
        pdf_standards=["a-2b"],
        timestamp=int(made.timestamp()),
    )
    return bytes(pdf)


def picture(template: Path, view: Mapping[str, Any], kind: Literal["png", "svg"]) -> bytes:
    """The same as one picture; the template has to make it one page."""
    import typst

    drawn = typst.compile(
        str(template),
        root=str(PACKAGE),
        ignore_system_fonts=True,
        sys_inputs={"data": json.dumps(view, allow_nan=False)},
        format=kind,
        ppi=160,
    )
    return bytes(drawn)
