"""A site to begin with, and a way to change one thing in it."""

from __future__ import annotations

import copy
import re
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from gaswitness.errors import Fault
from gaswitness.site.load import site_of
from gaswitness.site.sense import sense_check
from gaswitness.site.tree import Tree, read_tree

TODAY = date(2026, 11, 25)
MISSING = object()
"""Takes a key out."""

Change = dict[str, Any]
Check = Callable[[str, Change], tuple[list[Fault], list[Fault]]]


def change(data: Any, path: str, value: Any) -> None:
    """Put a value at a path; a list index at the end of the list appends."""
    steps: list[str | int] = [int(a) if a else b for a, b in re.findall(r"\[(\d+)\]|\.([\w-]+)", path)]
    for step in steps[:-1]:
        data = data[step]
    last = steps[-1]
    if value is MISSING:
        del data[last]
    elif isinstance(last, int) and last == len(data):
        data.append(value)
    else:
        data[last] = value


@pytest.fixture(scope="session")
def plain(repo: Path) -> dict[str, Any]:
    return {
        name: read_tree((repo / "examples" / f"{name}.yaml").read_text(encoding="utf-8"), name).data
        for name in ("ravensmoor", "cellar")
    }


@pytest.fixture(scope="session")
def check(plain: dict[str, Any]) -> Check:
    """Faults and doubts of an example in which some things were changed."""

    def run(name: str, changes: Change) -> tuple[list[Fault], list[Fault]]:
        data = copy.deepcopy(plain[name])
        for path, value in changes.items():
            change(data, path, value)
        report = sense_check(site_of(Tree(data), name), TODAY)
        return list(report.faults), list(report.doubts)

    return run
