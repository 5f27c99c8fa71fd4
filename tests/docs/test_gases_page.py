"""The page of gases is written from the data and must not lag behind it."""

from __future__ import annotations

import runpy
from pathlib import Path


def test_the_page_is_what_the_data_say(repo: Path) -> None:
    script = runpy.run_path(str(repo / "scripts" / "make_gases_page.py"))
    written = (repo / "docs" / "gases.md").read_text(encoding="utf-8")
    assert written == script["page"](), "run: make gases"
