"""Sentences that remember how they were made, so that they can be said in another language.

The English stands in the code, where the sentence is made: ``said("Close the signal of {tag} again.", tag="NH3-1")``
is a `str` with the finished English, and keeps template and values beside it. Whoever only wants English (a ledger, a
certificate, a terminal) uses it as the text that it is; `telling` says it in another language, each number written
that language's way. Values are names, which no language changes, or further sentences, figures and lists of them.

Gluing a sentence to other text (an f-string, ``+``) gives a plain `str`, which can only be told in English:
use `listed` to put sentences together.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any, LiteralString

_PLACE = re.compile(r"\{([a-z_][a-z0-9_]*)\}|[{}]")


def filled(template: str, values: Mapping[str, str]) -> str:
    """A template with its values in their places; names alone stand in braces, for a template may come from a file.

    >>> filled("{a} to {b}", {"a": "1", "b": "2"})
    '1 to 2'

    Raises LookupError where a place has no value, or a brace is none of a place.
    """
    return _PLACE.sub(lambda place: values[place[1]], template)


class Figure(str):
    """A number as English writes it: `21,000`, `0.25`, `27,000 ± 1,200`, `> 0.999`."""

    __slots__ = ()


class Listing(str):
    """Several texts one after the other, with something between them."""

    __slots__ = ("between", "parts")
    between: str
    parts: tuple[str, ...]

    def __new__(cls, parts: Iterable[str], between: str) -> Listing:
        """Join texts."""
        parts = tuple(parts)
        made = str.__new__(cls, between.join(parts))
        made.parts, made.between = parts, between
        return made

    def __getnewargs__(self) -> tuple[Any, ...]:
        """What a copy is made from."""
        return self.parts, self.between


class Sentence(str):
    """A finished English text with the template and the values it was made of."""

    __slots__ = ("template", "values")
    template: str
    values: Mapping[str, str]

    def __new__(cls, template: str, values: Mapping[str, str]) -> Sentence:
        """Fill the template in."""
        made = str.__new__(cls, filled(template, values))
        made.template, made.values = template, values
        return made

    def __getnewargs__(self) -> tuple[Any, ...]:
        """What a copy is made from."""
        return self.template, self.values


def said(template: LiteralString, /, **values: str | int) -> str:
    """A `Sentence`; the template is a literal, because the catalogues of other languages are looked up by it.

    >>> said("{tag} read {level} before gas ({n} readings).", tag="NH3-1", level="21 ppm", n=1200)
    'NH3-1 read 21 ppm before gas (1200 readings).'
    """
    return Sentence(template, {k: Figure(v) if isinstance(v, int) else v for k, v in values.items()})


def listed(parts: Iterable[str], between: LiteralString = ", ") -> str:
    """Texts one after the other: names, clauses, or whole sentences with a space between.

    >>> listed(["H-1", "L-3"], " and ")
    'H-1 and L-3'
    """
    return Listing(parts, between)


def together(*sentences: str) -> str:
    """Whole sentences one after the other; those that are empty are left out."""
    return Listing([one for one in sentences if one], " ")


def kept(text: str) -> Sentence | None:
    """How a text was made, to be kept beside it; none for one that remembers nothing."""
    return text if isinstance(text, Sentence) else None


def opened(text: str) -> str:
    """The same with a capital at its beginning, as it opens a note.

    >>> opened(said("the reading is frozen"))
    'The reading is frozen'
    """
    if isinstance(text, Sentence) and text.template[:1] != "{":
        return Sentence(text.template[:1].upper() + text.template[1:], text.values)
    if isinstance(text, Sentence):  # it opens with a value, which may be a sentence of its own
        place = text.template[1:].partition("}")[0]
        return Sentence(text.template, {**text.values, place: opened(text.values[place])})
    if isinstance(text, Listing) and text.parts:
        return Listing([opened(text.parts[0]), *text.parts[1:]], text.between)
    return text[:1].upper() + text[1:]


def figure(value: float, pattern: str = ".0f") -> str:
    """A number written by a format of Python.

    >>> figure(42.4), figure(0.25, ".3g"), figure(0.5, ".0%")
    ('42', '0.25', '50%')
    """
    return Figure(format(value, pattern))


def sentences_in(texts: Iterable[str]) -> dict[str, Sentence]:
    """Every sentence among these texts and within them, by its English."""
    found: dict[str, Sentence] = {}
    for text in texts:
        if isinstance(text, Sentence):
            found.update(sentences_in(text.values.values()))
            found[str(text)] = text
        elif isinstance(text, Listing):
            found.update(sentences_in(text.parts))
    return found


def as_document(text: str) -> object:
    """A text as JSON, with all that is needed to say it in another language.

    >>> as_document(said("at most {limit}", limit=Figure("2.5")))
    {'template': 'at most {limit}', 'values': {'limit': {'figure': '2.5'}}}
    """
    match text:
        case Sentence():
            return {"template": text.template, "values": {k: as_document(v) for k, v in text.values.items()}}
        case Listing():
            return {"list": [as_document(part) for part in text.parts], "between": text.between}
        case Figure():
            return {"figure": str(text)}
        case _:
            return str(text)


def of_document(found: object) -> str:
    """The text of such JSON; raises ValueError for anything else."""
    match found:
        case str():
            return found
        case {"template": str(template), "values": dict(values), **rest} if not rest:
            try:
                return Sentence(template, {str(k): of_document(v) for k, v in values.items()})
            except LookupError as error:
                raise ValueError(f"a template with places that have no value: {template}") from error
        case {"list": list(parts), "between": str(between), **rest} if not rest:
            return Listing([of_document(part) for part in parts], between)
        case {"figure": str(number), **rest} if not rest:
            return Figure(number)
        case _:
            raise ValueError("neither a text nor a template with its values")
