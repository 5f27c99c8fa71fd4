"""Docs against code: what a page says must be so."""

from __future__ import annotations

import ast
import importlib.util
import re
import typing
from pathlib import Path
from types import ModuleType

import pytest

import gaswitness
from gaswitness.cli.main import COMMANDS
from gaswitness.plan.records import CriterionKind, StepKind
from gaswitness.run.events import Event


def _script(repo: Path, name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, repo / "scripts" / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def _pages(repo: Path) -> dict[str, str]:
    paths = [repo / "README.md", repo / "CONTRIBUTING.md", *sorted((repo / "docs").rglob("*.md"))]
    return {str(path.relative_to(repo)): path.read_text(encoding="utf-8") for path in paths}


def test_commands_page_is_what_the_commands_say(repo: Path) -> None:
    written = (repo / "docs" / "commands.md").read_text(encoding="utf-8")
    assert written == _script(repo, "make_commands_page").page(), "run: make commands"


def test_version_stands_at_the_top_of_the_changelog(repo: Path) -> None:
    found = re.search(r"^## (\S+)", (repo / "CHANGELOG.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert found is not None
    assert found[1] == gaswitness.__version__


def test_root_exports_nothing_but_its_version() -> None:
    assert gaswitness.__all__ == ["__version__"]


def test_every_kind_of_event_is_told(repo: Path) -> None:
    page = (repo / "docs" / "evidence.md").read_text(encoding="utf-8")
    union = typing.get_args(Event)[0]
    kinds = [event.model_fields["kind"].default for event in typing.get_args(union)]
    assert len(kinds) >= 14
    assert [kind for kind in kinds if f"`{kind}`" not in page] == []


def test_every_kind_of_criterion_is_told(repo: Path) -> None:
    page = (repo / "docs" / "judging.md").read_text(encoding="utf-8")
    assert [kind for kind in typing.get_args(CriterionKind) if f"`{kind}`" not in page] == []


def test_every_kind_of_step_is_told(repo: Path) -> None:
    page = (repo / "docs" / "planning.md").read_text(encoding="utf-8")
    assert [kind for kind in typing.get_args(StepKind) if f"`{kind}`" not in page] == []


def test_every_source_of_uncertainty_is_told_by_its_name(repo: Path) -> None:
    page = (repo / "docs" / "uncertainty.md").read_text(encoding="utf-8")
    names = {
        part.value
        for path in (repo / "src" / "gaswitness" / "judge").glob("*.py")
        for call in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id == "Term"
        for part in ast.walk(call.args[0])
        if isinstance(part, ast.Constant) and isinstance(part.value, str)
    }
    assert len(names) > 15
    assert [name for name in sorted(names) if name.strip() not in page] == []


def test_commands_that_pages_speak_of_exist(repo: Path) -> None:
    known = {*COMMANDS, "keys", "COMMAND"}
    wrong = [
        f"{name}: gaswitness {found[1]}"
        for name, text in _pages(repo).items()
        for found in re.finditer(r"`gaswitness ([a-z][a-z-]*)", text)
        if found[1] not in known
    ]
    assert wrong == []


def test_links_between_pages_lead_somewhere(repo: Path) -> None:
    wrong = []
    for name, text in _pages(repo).items():
        for found in re.finditer(r"\]\((?!https?:|#|mailto:)([^)#\s]+)", text):
            if not (repo / name).parent.joinpath(found[1]).exists():
                wrong.append(f"{name}: {found[1]}")
    assert wrong == []


@pytest.mark.parametrize("word", ["TODO", "FIXME", "XXX"])
def test_no_promises_in_the_code(repo: Path, word: str) -> None:
    found = [
        str(path.relative_to(repo)) for path in (repo / "src").rglob("*.py") if word in path.read_text(encoding="utf-8")
    ]
    assert found == []
