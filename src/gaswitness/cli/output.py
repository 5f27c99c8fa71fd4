"""Data to stdout, talk to stderr."""

from __future__ import annotations

import json
import sys
from typing import Any


def print_json(document: Any) -> None:
    """One JSON document on stdout; NaN is refused, since it is not JSON."""
    sys.stdout.write(json.dumps(document, ensure_ascii=False, allow_nan=False, indent=2) + "\n")


def talk(text: str) -> None:
    """A line for the person at the keyboard."""
    sys.stderr.write(text + "\n")
