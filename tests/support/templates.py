"""Every template of a sentence that stands in the sources, read from the code itself."""

from __future__ import annotations

import ast
from pathlib import Path

PACKAGE = Path(__file__).resolve().parents[2] / "src" / "gaswitness"


def templates() -> dict[str, str]:
    """Template -> where it stands: `said("...")`, and what stands between the parts of `listed(..., "...")`."""
    found: dict[str, str] = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Name)):
                continue
            at = f"{path.relative_to(PACKAGE).as_posix()}:{node.lineno}"
            if node.func.id == "said":
                found.setdefault(literal(node.args[0], at), at)
            elif node.func.id == "listed" and len(node.args) > 1:
                between = node.args[1]
                if isinstance(between, ast.Constant) and any(map(str.isalpha, str(between.value))):
                    found.setdefault(str(between.value), at)
    return found


def literal(node: ast.expr, at: str) -> str:
    """The text of a literal; anything else could not be found in a catalogue."""
    assert isinstance(node, ast.Constant), f"{at}: the template is no literal"
    assert isinstance(node.value, str), f"{at}: the template is no text"
    return node.value
