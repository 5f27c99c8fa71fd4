"""The one way through the house, read from the imports."""

from __future__ import annotations

import ast
import graphlib
import importlib
from pathlib import Path

import pytest

GROUND = (
    "lazy",
    "paper",
    "wording",
    "sentence",
    "telling",
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
FLOW = ("site", "plan", "run", "evidence", "judge", "certify", "learn")
EDGES = ("cli", "web", "links", "history")

LONG = {}
"""Files over 500 lines, each with its reason."""


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
    known = {*GROUND, *FLOW, *EDGES, "release", "texts", "__init__", "__main__", "__pycache__"}
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


def _imported_at_once(path: Path, modules: set[str]) -> set[str]:
    """Own modules that a module imports when it is imported: not within functions, not for types only."""
    found: set[str] = set()
    todo: list[ast.AST] = list(ast.parse(path.read_text(encoding="utf-8")).body)
    while todo:
        node = todo.pop()
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            continue
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            todo += node.orelse
        elif isinstance(node, ast.ImportFrom):
            names = [f"{node.module}.{alias.name}" for alias in node.names]
            found |= {name if name in modules else node.module or "" for name in names}
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        else:
            todo += ast.iter_child_nodes(node)
    return found & modules


def test_no_module_needs_itself(repo: Path) -> None:
    """The graph of imports has an order: none waits for one that waits for it."""
    source = repo / "src"
    paths = {
        ".".join(path.relative_to(source).with_suffix("").parts).removesuffix(".__init__"): path
        for path in (source / "gaswitness").rglob("*.py")
    }
    graph = {name: _imported_at_once(path, set(paths)) - {name} for name, path in paths.items()}
    assert sum(map(len, graph.values())) > 500
    try:
        order = list(graphlib.TopologicalSorter(graph).static_order())
    except graphlib.CycleError as error:
        pytest.fail(" -> ".join(error.args[1]))
    assert set(order) == set(paths)


def test_long_files_have_a_reason(repo: Path) -> None:
    package = repo / "src" / "gaswitness"
    long = {
        path.relative_to(package).as_posix()
        for path in package.rglob("*.py")
        if len(path.read_text(encoding="utf-8").splitlines()) > 500
    }
    assert long == LONG.keys()


def test_packages_hold_what_they_promise(repo: Path) -> None:
    """Every name of every `__all__` can be fetched, those that are fetched late too; their order is ruff's RUF022."""
    source = repo / "src"
    wrong = []
    for path in sorted((source / "gaswitness").rglob("__init__.py")):
        module = importlib.import_module(".".join(path.parent.relative_to(source).parts))
        names = getattr(module, "__all__", ())
        assert len(set(names)) == len(names), module.__name__
        wrong += [f"{module.__name__}.{name}" for name in names if not hasattr(module, name)]
    assert wrong == []
