"""What of a text would stay English on a German page, by how it was made and not by its words."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping

from gaswitness.sentence import Figure, Listing, Sentence
from gaswitness.telling import sentences


def english_in(text: str, names: Collection[str], known: Mapping[str, Sentence]) -> Iterator[str]:
    """What in a text no language but English has."""
    text = known.get(text, text) if type(text) is str else text
    match text:
        case Sentence():
            low = text.template[:1].lower() + text.template[1:]
            if text.template not in sentences("de") and low not in sentences("de"):
                yield f"no German for {text.template!r}"
            for value in text.values.values():
                yield from english_in(value, names, known)
        case Listing():
            for part in text.parts:
                yield from english_in(part, names, known)
        case Figure():
            pass
        case _:
            if text not in names and re.search(r"[A-Za-z]{2,}|\d", text):
                yield f"neither name nor sentence: {text!r}"
