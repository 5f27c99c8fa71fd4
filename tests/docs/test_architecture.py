"""The one way through the house, read from the imports."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

GROUND = (
    "lazy",
    "paper",
    "wording",
    "errors",
    "units",
    "clock",
    "records",
    "kernels",
    "exposure",
    "sound",
    "gases",
    "alarms",
    "response",
)
FLOW = ("site", "plan", "run", "evidence", "judge", "certify")
EDGES = ("cli", "web", "links", "history")


def _room(module: str) -> str:
    parts = module.split(".")
    return parts[1] if len(parts) > 1 else ""


def _imports(repo: Path) -> list[tuple[str, str, str]]:
    """(room, room imported, where) for every import of our own, those inside functions too."""
    package = repo / "src" / "gaswitness"
    found = []
    for path in sorted(package.rglob("*.py")):
        relative = path.relative_to(package)
        room = relative.parts[0].removesuffix(".py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names: list[str] = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                assert node.level == 0, f"{relative}: relative import"
                base = node.module or ""
                names = [f"{base}.{alias.name}" for alias in node.names] if base == "gaswitness" else [base]
            found += [
                (room, _room(name), f"{relative}:{node.lineno}") for name in names if name.startswith("gaswitness")
            ]
    return found


@pytest.fixture(scope="module")
def imports(repo: Path) -> list[tuple[str, str, str]]:
    return _imports(repo)


def test_reads_imports_at_all(imports: list[tuple[str, str, str]]) -> None:
    assert ("plan", "site") in {(a, b) for a, b, _ in imports}


def test_no_room_is_unknown(repo: Path) -> None:
    names = {p.name.removesuffix(".py") for p in (repo / "src" / "gaswitness").iterdir() if p.suffix in {".py", ""}}
    known = {*GROUND, *FLOW, *EDGES, "release", "__init__", "__main__", "__pycache__"}
    assert names <= known


def test_a_stage_looks_only_to_its_left(imports: list[tuple[str, str, str]]) -> None:
    wrong = [
        f"{where}: {room} imports {other}"
        for room, other, where in imports
        if room in FLOW
        and other not in GROUND
        and other not in ("", "__version__")
        and (other not in FLOW or FLOW.index(other) > FLOW.index(room))
    ]
    assert wrong == []


def test_the_ground_stands_on_ground(imports: list[tuple[str, str, str]]) -> None:
    wrong = [
        f"{where}: {room} imports {other}"
        for room, other, where in imports
        if room in GROUND and other not in (*GROUND, "")
    ]
    assert wrong == []


def test_release_reads_the_site_and_nothing_further(imports: list[tuple[str, str, str]]) -> None:
    allowed = {*GROUND, "site", "release", ""}
    assert [f"{where}: {other}" for room, other, where in imports if room == "release" and other not in allowed] == []


@pytest.mark.parametrize("module", ["socket", "urllib", "asyncio.subprocess", "subprocess", "time"])
def test_only_edges_touch_network_and_wall_clock(repo: Path, module: str) -> None:
    package = repo / "src" / "gaswitness"
    wrong = []
    for path in sorted(package.rglob("*.py")):
        relative = path.relative_to(package)
        if relative.parts[0] in (*EDGES, "clock.py"):
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            wrong += [f"{relative}:{node.lineno}" for name in names if name == module or name.startswith(module + ".")]
    assert wrong == []
