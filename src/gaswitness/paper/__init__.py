"""Paper: one look for all of it, typeset offline with the typesetter's own fonts, in any language we speak."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from gaswitness.sentence import said
from gaswitness.telling import Teller
from gaswitness.wording import word

PACKAGE = Path(__file__).resolve().parents[1]
ENGLISH = Teller("en")

Words = Mapping[str, Any]
"""The fixed words of a template: texts, lists of texts or further words, by name."""
SHARED: Words = {
    "page": said("page {page} of {pages}", page="{page}", pages="{pages}"),
    "gas": said("gas"),
    "outcomes": {name: word(name) for name in ("pass", "fail", "inconclusive", "not tested", "error", "aborted")},
}
"""Words of the look that all papers share; what stands in braces is put in by the template."""
CHOSEN_BY = ("outcome", "kind")
"""Keys under which a view holds names that a template chooses a shape or a colour by; no language changes them."""


def typeset(
    template: Path, view: Mapping[str, Any], made: datetime, *, words: Words | None = None, tell: Teller = ENGLISH
) -> bytes:
    """A PDF/A-2b from a template of this package; `view` and `words` are all it prints, worded and rounded.

    The same view, instant and language give the same bytes.
    """
    import typst

    pdf = typst.compile(
        str(template),
        root=str(PACKAGE),
        ignore_system_fonts=True,
        sys_inputs={"data": _document(view, words, tell)},
        pdf_standards=["a-2b"],
        timestamp=int(made.timestamp()),
    )
    return bytes(pdf)


def picture(
    template: Path,
    view: Mapping[str, Any],
    kind: Literal["png", "svg"],
    *,
    words: Words | None = None,
    tell: Teller = ENGLISH,
) -> bytes:
    """The same as one picture; the template has to make it one page."""
    import typst

    drawn = typst.compile(
        str(template),
        root=str(PACKAGE),
        ignore_system_fonts=True,
        sys_inputs={"data": _document(view, words, tell)},
        format=kind,
        ppi=160,
    )
    return bytes(drawn)


def _document(view: Mapping[str, Any], words: Words | None, tell: Teller) -> str:
    """What a template reads: the view, its fixed words under `words`, and the language under `lang`."""
    spoken = told({**view, "words": {**SHARED, **(words or {})}}, tell)
    return json.dumps({**spoken, "lang": tell.language}, allow_nan=False)


def told(view: Any, tell: Teller) -> Any:
    """A view with every text in one language.

    >>> told({"outcome": "pass", "word": [word("pass"), "NH3-1", 2.5]}, Teller("de"))
    {'outcome': 'pass', 'word': ['bestanden', 'NH3-1', 2.5]}
    """
    match view:
        case str():
            return tell(view)
        case Mapping():
            return {key: one if key in CHOSEN_BY else told(one, tell) for key, one in view.items()}
        case list() | tuple():
            return [told(one, tell) for one in view]
        case _:
            return view
