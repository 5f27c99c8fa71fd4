"""Papers read back from their PDF, and what they are made of."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Iterator

import pypdf

from gaswitness.paper import CHOSEN_BY
from gaswitness.telling import sentences


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


def words(text: str) -> set[str]:
    """Words of three letters or more; of shorter ones lines are broken into."""
    return set(re.findall(r"[a-zäöüß]{3,}", text.lower()))


def english_only(names: Iterable[str]) -> set[str]:
    """Words of the English templates that German does not have, nor any of these names."""
    german = {word for told in sentences("de").values() for word in words(told)}
    places = r"\{\w+\}|`[^`]*`"
    english = {word for one in sentences("de") for word in words(re.sub(places, " ", one))}
    return english - german - {word for name in names for word in words(name)}
