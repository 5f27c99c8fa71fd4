"""What errors and remarks say stands as sentences in the code, wherever a page may come to show it."""

from __future__ import annotations

import ast
import re
from collections.abc import Collection, Iterator
from pathlib import Path

import pytest

from gaswitness import errors
from support.templates import PACKAGE

RAISED = {name for name, one in vars(errors).items() if isinstance(one, type) and issubclass(one, Exception)}
TOLD = RAISED | {"Fault", "Unfit", "Refused"}
"""Whatever carries a text to a person: the errors, a fault of a file, an unfit message, a refused property."""
READS_FILES = ("site", "records")
"""Rooms in which a ValueError becomes a fault of the file that is read."""
TEXTS = {"message", "where", "expected", "hint"}
TERMINAL = {
    *("alarms", "exposure", "gases", "kernels", "learn", "release", "response", "sound", "clock", "lazy"),
    *("certify", "cli", "history"),
    *("links/rig/faults", "links/rig/modbus_server", "links/rig/process", "judge/decide", "judge/reading"),
    *("evidence/timeline", "plan/sounds", "sentence"),
}
"""Rooms whose errors are for callers in Python or for the terminal: a page never comes upon them."""
PAGES = {"cli/running", "cli/recording", "history/opening", "history/files", "gases/table"}
"""Those within such a room that a board comes upon after all: a run is begun, a due list is made, a gas is misspelt."""


def shown_rooms() -> list[Path]:
    """Every file of which a page may show an error."""
    found = []
    for path in sorted(PACKAGE.rglob("*.py")):
        name = path.relative_to(PACKAGE).with_suffix("").as_posix()
        if name in PAGES or not any(name == one or name.startswith(f"{one}/") for one in TERMINAL):
            found.append(path)
    return found


def bare(node: ast.expr | None, constants: dict[str, ast.expr]) -> bool:
    """Whether an expression puts English words into a text without a sentence around them."""
    match node:
        case ast.Constant(value=str() as text):
            return re.search(r"(?<![\w./:$-])[A-Za-z][a-z]+(?![\w/:.=(-])", text) is not None
        case ast.JoinedStr(values=values):
            return any(bare(one, constants) for one in values if isinstance(one, ast.Constant))
        case ast.BinOp(left=left, right=right):
            return bare(left, constants) or bare(right, constants)
        case ast.IfExp(body=body, orelse=other):
            return bare(body, constants) or bare(other, constants)
        case ast.BoolOp(values=values):
            return any(bare(one, constants) for one in values)
        case ast.Call(func=ast.Attribute(value=inner, attr="join" | "format" | "replace")):
            return bare(inner, constants)
        case ast.Name(id=name) if name in constants:
            return bare(constants[name], {})
    return False


def assigned(tree: ast.AST) -> dict[str, ast.expr]:
    """Names that stand for a text within a file, by what they were first given."""
    found: dict[str, ast.expr] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.Assign) and len(node.targets) == 1 and isinstance(node.targets[0], ast.Name):
            found.setdefault(node.targets[0].id, node.value)
    return found


def english(source: str, told: Collection[str] = TOLD) -> Iterator[int]:
    """Lines of a source on which a person would be told something in bare English."""
    tree = ast.parse(source)
    constants = assigned(tree)
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
        texts: list[ast.expr] = []
        if name in told:
            texts = [*node.args, *(one.value for one in node.keywords if one.arg in TEXTS)]
        elif name == "append" and isinstance(node.func, ast.Attribute):
            holder = node.func.value
            called = holder.id if isinstance(holder, ast.Name) else getattr(holder, "attr", "")
            texts = node.args if called in {"remarks", "_notes", "notes"} else []
        yield from (one.lineno for one in texts if bare(one, constants))


@pytest.mark.parametrize("path", shown_rooms(), ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_nobody_is_told_bare_english(path: Path) -> None:
    room = path.relative_to(PACKAGE).with_suffix("").parts[0]
    told = TOLD | {"ValueError"} if room in READS_FILES else TOLD
    assert list(english(path.read_text(encoding="utf-8"), told)) == []


@pytest.mark.parametrize(
    "source",
    [
        'raise LinkError(f"{url}: nobody answers")',
        'raise InputError(said("no link"), where="link")',
        'raise InputError(said("no link"), hint="name one" if here else "")',
        'EXPECTED = "an address"\nraise InputError(said("no link"), expected=EXPECTED)',
        'raise InputError(said("no link"), expected="one of " + ", ".join(known))',
        'remarks.append(f"{signal}: topic {topic}")',
    ],
)
def test_the_check_sees_bare_english(source: str) -> None:
    assert list(english(source)) != []


@pytest.mark.parametrize(
    "source",
    [
        'raise LinkError(said("{url}: nobody answers", url=url), hint=said("name one"))',
        'raise InputError(said("no speed"), where="--speed", expected="127.0.0.1:PORT")',
        'Fault("$.detectors", said("found none"))',
    ],
)
def test_the_check_leaves_sentences_and_names_alone(source: str) -> None:
    assert list(english(source)) == []
