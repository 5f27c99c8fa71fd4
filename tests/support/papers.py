"""Papers read back from their PDF, and what they are made of."""

from __future__ import annotations

import io
from collections.abc import Iterator

import pypdf

from gaswitness.paper import CHOSEN_BY


def text_of(pdf: bytes) -> str:
    """All text of a PDF."""
    return "\n".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages)


def leaves(document: object) -> Iterator[str]:
    """Every text of a view, without the names that a template chooses shapes by."""
    if isinstance(document, str):
        yield document
    elif isinstance(document, dict):
        for key, one in document.items():
            if key not in CHOSEN_BY:
                yield from leaves(one)
    elif isinstance(document, list | tuple):
        for one in document:
            yield from leaves(one)
