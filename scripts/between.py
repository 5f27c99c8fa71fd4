"""Puts lines between the two marks of a page in docs/, `<!-- NAME begin -->` and `<!-- NAME end -->`."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

DOCS = Path(__file__).resolve().parent.parent / "docs"


def put(page: str, name: str, lines: Iterable[str]) -> None:
    path, begin, end = DOCS / page, f"<!-- {name} begin -->", f"<!-- {name} end -->"
    text = path.read_text(encoding="utf-8")
    head, tail = text.split(begin)[0], text.split(end)[1]
    path.write_text(head + begin + "\n" + "\n".join(lines) + "\n" + end + tail, encoding="utf-8")
