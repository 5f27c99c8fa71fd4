"""The response page tells every flag, and its tables have been filled."""

from __future__ import annotations

from pathlib import Path

from gaswitness.response import FLAGS
from gaswitness.response.meaning import MEANING
from gaswitness.response.study import CASES


def test_every_flag_is_told_with_its_meaning(repo: Path) -> None:
    page = (repo / "docs" / "response.md").read_text(encoding="utf-8")
    assert [flag for flag in FLAGS if f"| `{flag}` | {MEANING[flag]} |" not in page] == []


def test_the_coverage_table_is_there(repo: Path) -> None:
    page = (repo / "docs" / "response.md").read_text(encoding="utf-8")
    assert [case.name for case in CASES if f"| {case.name} |" not in page] == []
