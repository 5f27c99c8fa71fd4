"""Data to stdout, talk to stderr."""

from __future__ import annotations

import codecs
import io
import json
import sys
from typing import Any


def print_json(document: Any) -> None:
    """One JSON document on stdout; NaN is refused, since it is not JSON."""
    utf_8 = (sys.stdout.encoding or "").lower().replace("-", "") == "utf8"
    sys.stdout.write(json.dumps(document, ensure_ascii=not utf_8, allow_nan=False, indent=2) + "\n")


def talk(text: str) -> None:
    """A line for the person at the keyboard."""
    sys.stderr.write(text + "\n")


PLAIN = {
    "≥": ">=", "≤": "<=", "→": "->", "■": "#", "□": "o", "◆": "*", "◇": "?", "▲": "^", "▼": "v", "●": "*", "○": "o",
    "−": "-", "₂": "2", "₃": "3", "…": "...", "·": ".", "±": "+/-",
}  # fmt: skip
"""What stands for a character on a screen or in a pipe that has no such character."""


def speak_anywhere() -> None:
    """Let no character end a command: a console or pipe of an older encoding shows a plain one in its place."""
    codecs.register_error("gaswitness-plain", _plain)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="gaswitness-plain")


def _plain(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(PLAIN.get(one, "?") for one in error.object[error.start : error.end]), error.end
