"""Says the sentences of the core in another language: templates by catalogue, numbers by that language's rules.

A catalogue is one file, ``texts/<language>.json``: English template -> template of that language, with the same
places in braces. What a catalogue lacks is told in English, never guessed.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from functools import lru_cache
from importlib.resources import files

from gaswitness.errors import InputError
from gaswitness.sentence import Figure, Listing, Sentence, filled, listed, said, sentences_in

LANGUAGES = ("en", "de")
"""English, which the code speaks, and every language that has a catalogue."""
NARROW_SPACE = "\u202f"
_FIGURES: Mapping[str, dict[int, str]] = {"de": str.maketrans({",": NARROW_SPACE, ".": ","})}
"""Signs in figures: German has a comma before decimals, and a narrow space at thousands (DIN 1333, DIN 5008)."""
_PERCENT = {"de": f"{NARROW_SPACE}%"}


@lru_cache(maxsize=len(LANGUAGES))
def sentences(language: str) -> Mapping[str, str]:
    """English template -> template of a language; empty for English."""
    if language == "en":
        return {}
    text = files("gaswitness").joinpath("texts", f"{language}.json").read_text(encoding="utf-8")
    found: dict[str, str] = json.loads(text)
    return found


def known_language(name: str, where: str = "") -> str:
    """The name of a language that we speak; raises InputError for any other.

    >>> known_language("de")
    'de'
    """
    if name in LANGUAGES:
        return name
    raise InputError(
        said("no such language"),
        where=where,
        found=name[:40],
        expected=said("one of the languages {names}", names=listed(LANGUAGES)),
        hint=said("leave it out for English"),
    )


class Teller:
    r"""Says texts in one language; `known` are sentences whose English alone was kept, as a plan's are in its file.

    >>> from gaswitness.wording import seconds, number
    >>> tell = Teller("de")
    >>> tell(seconds(42.4)), tell(number(1234.5)), tell("NH3-1")
    ('42\xa0s', '1\u202f234', 'NH3-1')
    """

    def __init__(self, language: str, known: Iterable[Sentence] = ()) -> None:
        self.language = language
        self._sentences = sentences(language)
        self._known = sentences_in(known) if language != "en" else {}

    def __call__(self, text: str) -> str:
        """The text in this language."""
        if self.language == "en":
            return str(text)
        match text:
            case Sentence():
                return self._filled(text)
            case Listing():
                between = self._sentences.get(text.between, text.between)
                return between.join(self(part) for part in text.parts)
            case Figure():
                return figure_in(self.language, text)
            case _:
                known = self._known.get(text)
                return text if known is None else self._filled(known)

    def all(self, texts: Iterable[str], between: str = "; ") -> str:
        """Several texts in this language, one after the other."""
        return between.join(map(self, texts))

    def number(self, value: float, pattern: str = ".4g") -> str:
        """A number in this language, written by a format of Python."""
        return figure_in(self.language, format(value, pattern))

    def _filled(self, text: Sentence) -> str:
        values = {name: self(value) for name, value in text.values.items()}
        template, opens = self._sentences.get(text.template), False
        if template is None:  # the same may be known as the beginning of something
            template, opens = self._sentences.get(text.template[:1].lower() + text.template[1:]), True
        if template is None:
            return str(text)
        told = filled(template, values)
        return told[:1].upper() + told[1:] if opens else told


def figure_in(language: str, text: str) -> str:
    r"""A figure written the English way, as a language writes it.

    >>> figure_in("de", "27,000 ± 1,200"), figure_in("de", "0.25"), figure_in("de", "85%"), figure_in("en", "0.25")
    ('27\u202f000 ± 1\u202f200', '0,25', '85\u202f%', '0.25')
    """
    if language not in _FIGURES:
        return text
    return text.translate(_FIGURES[language]).replace("%", _PERCENT[language])
