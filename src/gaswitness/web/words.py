"""The catalogue of the pages: every word a browser shows stands in `texts/<language>.json`."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path

from gaswitness.telling import LANGUAGES

_FOLDER = Path(__file__).parent / "texts"


@lru_cache(maxsize=len(LANGUAGES))
def catalogue(language: str) -> Mapping[str, str]:
    """All texts of one language by key."""
    texts: dict[str, str] = json.loads((_FOLDER / f"{language}.json").read_text(encoding="utf-8"))
    return texts


class Words:
    """Looks up texts; what a text leaves open stands in braces and is filled in by name.

    >>> Words("en")("board.name")
    'gaswitness board'
    """

    def __init__(self, language: str) -> None:
        self.language = language
        self._texts = catalogue(language)

    def __call__(self, key: str, **values: object) -> str:
        """The text of a key; raises KeyError where the catalogue has none."""
        text = self._texts[key]
        return text.format(**values) if values else text

    def __contains__(self, key: str) -> bool:
        """Whether the catalogue has this text."""
        return key in self._texts

    def under(self, *prefixes: str) -> dict[str, str]:
        """The texts whose keys begin so, for a page's scripts."""
        return {key: text for key, text in self._texts.items() if key.startswith(prefixes)}


def language_of(chosen: str | None, accept: str) -> str:
    """The language that somebody chose, else the first one the browser asks for that there is, else English.

    >>> language_of(None, "fr;q=0.9, de-CH;q=0.8, en;q=0.1"), language_of("en", "de"), language_of(None, "")
    ('de', 'en', 'en')
    """
    if chosen in LANGUAGES:
        return chosen
    asked: list[tuple[float, str]] = []
    for part in accept.split(","):
        name, _, weight = part.strip().partition(";q=")
        try:
            asked.append((-float(weight or 1.0), name.split("-")[0].lower()))
        except ValueError:
            continue
    return next((name for _, name in sorted(asked, key=lambda one: one[0]) if name in LANGUAGES), "en")
