"""The page of gases is written from the data and must not lag behind it."""

from __future__ import annotations

import runpy
from pathlib import Path


def test_the_page_is_what_the_data_say(repo: Path) -> None:
    script = runpy.run_path(str(repo / "scripts" / "make_gases_page.py"))
    written = (repo / "docs" / "gases.md").read_text(encoding="utf-8")
    assert written == script["page"](), "run: make gases"


def test_the_line_of_a_gas_says_where_each_fact_is_from(repo: Path) -> None:
    """Of ammonia the density was computed, the safety class recalled and not read again."""
    page = (repo / "docs" / "gases.md").read_text(encoding="utf-8")
    line = next(line for line in page.splitlines() if line.startswith("also R-717"))
    assert "density over air 0.594 (density-real)" in line
    assert "class B2L (ashrae34 ?)" in line
