"""Legible for everybody: contrast of the palette in light and dark, by the formula of WCAG 2.2."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

CSS = Path(__file__).resolve().parents[3] / "src" / "gaswitness" / "web" / "static" / "board.css"
WORDS = ("ink", "soft", "blue", "first", "second", "fault", "inhibited", "gas")
GROUNDS = ("page", "paper", "field")


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2 (W3C Recommendation, 5 October 2023), definition of relative luminance."""
    channels = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """(L1 + 0.05) / (L2 + 0.05), WCAG 2.2, definition of contrast ratio."""
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def schemes() -> dict[str, dict[str, str]]:
    roots = re.findall(r":root \{(.*?)\}", CSS.read_text("utf-8"), flags=re.DOTALL)
    light, dark = (dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", root)) for root in roots)
    return {"light": light, "dark": {**light, **dark}}


def test_the_formula_gives_the_published_ends_of_its_scale():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#777777") == pytest.approx(1.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)  # the greyest grey that passes on white


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("word", WORDS)
@pytest.mark.parametrize("ground", GROUNDS)
def test_words_stand_out_from_what_they_stand_on(scheme, word, ground):
    """4.5 to 1, success criterion 1.4.3 (AA)."""
    palette = schemes()[scheme]
    assert contrast(palette[word], palette[ground]) >= 4.5


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(
    ("word", "ground"),
    [("paper", "ink"), ("paper", "gas"), ("ink", "urgent-paper"), ("second", "urgent-paper"), ("paper", "soft")],
)
def test_words_on_what_is_filled_stand_out_too(scheme, word, ground):
    palette = schemes()[scheme]
    assert contrast(palette[word], palette[ground]) >= 4.5


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_edges_of_fields_and_what_has_the_focus_stand_out(scheme):
    """3 to 1, success criteria 1.4.11 and 2.4.11 (AA)."""
    palette = schemes()[scheme]
    for edge in ("soft", "ink", "blue"):
        assert contrast(palette[edge], palette["page"]) >= 3.0


def test_the_fills_of_levels_are_of_the_palette_of_okabe_and_ito():
    """Okabe, Ito: Color Universal Design (2008): orange E69F00, vermillion D55E00."""
    for palette in schemes().values():
        assert (palette["first-fill"], palette["second-fill"]) == ("#e69f00", "#d55e00")


def test_what_is_normal_carries_no_colour():
    rules = CSS.read_text("utf-8")
    for normal in ("outcome-pass", "shown-shown", "level-normal"):
        assert normal not in rules
