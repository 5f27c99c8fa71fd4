"""Shapes, words and shades: every level is told by all three, and still told when there is no colour.

Colours are from the palette of Okabe and Ito (2008), which people with colour-blindness can tell apart.
"""

from __future__ import annotations

import codecs
from dataclasses import dataclass
from typing import Literal

ORANGE = "#E69F00"
SKY = "#56B4E9"
GREEN = "#009E73"
VERMILLION = "#D55E00"
PURPLE = "#CC79A7"
GREY = "grey50"

Level = Literal["normal", "first", "second", "fault", "inhibited", "no reading"]

STYLES: dict[Level, str] = {
    "normal": "",
    "first": f"bold {ORANGE}",
    "second": f"bold reverse {VERMILLION}",
    "fault": f"bold {PURPLE}",
    "inhibited": f"bold {SKY}",
    "no reading": "dim",
}


@dataclass(frozen=True, slots=True)
class Shapes:
    """The characters that pictures are made of."""

    braille: bool
    rising: str
    falling: str
    fault: str
    inhibited: str
    on: str
    off: str
    here: str
    done: str
    ahead: str
    left_out: str
    shade: str
    line: str
    upright: str
    rule: str
    rest: str
    plus_minus: str


UNICODE = Shapes(
    True, "▲", "▼", "✕", "◧", "●", "○", "▶", "✓", "·", "–", "░", "┈", "┊", "─", "─", "±"
)  # fmt: skip
PLAIN = Shapes(
    False, "^", "v", "x", "#", "*", "o", ">", "+", ".", "-", ":", "-", "|", "-", "-", "+/-"
)  # fmt: skip


def shapes_for(encoding: str | None) -> Shapes:
    """The richest shapes that a terminal of this encoding can show.

    >>> shapes_for("utf-8").braille, shapes_for("cp1252").braille, shapes_for(None).braille
    (True, False, False)
    """
    try:
        codecs.lookup(encoding or "ascii")
        "⣿▲▼✕◧●○▶✓·–░┈┊─±".encode(encoding or "ascii")
    except (LookupError, UnicodeEncodeError):
        return PLAIN
    return UNICODE


def clock_text(t_s: float) -> str:
    """Run time for people.

    >>> clock_text(65.2), clock_text(3700.0), clock_text(-30.0)
    ('1:05', '1:01:40', '-0:30')
    """
    sign, whole = ("-", -t_s) if t_s < 0 else ("", t_s)
    minutes, seconds = divmod(int(whole + 1e-9), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{sign}{hours}:{minutes:02d}:{seconds:02d}" if hours else f"{sign}{minutes}:{seconds:02d}"


def level_text(value: float, resolution: float) -> str:
    """A reading with as many digits as the detector resolves.

    >>> level_text(148.0, 1.0), level_text(0.9831, 0.01), level_text(12500.0, 10.0)
    ('148', '0.98', '12,500')
    """
    digits = 0
    while digits < 4 and round(resolution, digits) < resolution * 0.999:
        digits += 1
    return f"{value:,.{digits}f}"
