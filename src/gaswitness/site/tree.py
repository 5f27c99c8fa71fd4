"""YAML text to plain data with the line of every value, and nothing a description does not need.

Anchors and aliases are read, within a bound on what they unfold to; tags, merge keys, duplicate keys and second
documents are refused. All scalars that are not a number, a truth value or null stay text.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from gaswitness.errors import Fault, Unreadable
from gaswitness.sentence import said

MAX_CHARACTERS = 2_000_000
"""A site of 2,000 detectors stays well under this; anything larger is not a site file."""
MAX_VALUES = 200_000
"""Bound on values after aliases are unfolded."""
MAX_DEPTH = 40

_PLAIN = "tag:yaml.org,2002:"
_KEY = re.compile(r"[A-Za-z_][A-Za-z0-9_-]*", re.ASCII)


@dataclass(frozen=True, slots=True)
class Tree:
    """Plain data (dict, list, str, int, float, bool, None) and where each path stands in the text."""

    data: Any
    lines: dict[str, int] = field(default_factory=dict)
    faults: tuple[Fault, ...] = ()
    """What was wrong with the text itself, although it could be read."""
    cells: dict[str, str] = field(default_factory=dict)
    """Where each path lies in a spreadsheet, `Alarms!C4`; empty for text."""

    def line(self, path: str) -> int | None:
        """Line of this path, or of the nearest thing around it that is in the text.

        >>> Tree({}, {"$": 1, "$.a": 3}).line("$.a[0].b")
        3
        """
        return _nearest(self.lines, path)

    def place(self, fault: Fault) -> Fault:
        """The fault with its line, or with the cell in place of its path."""
        if self.cells:
            return replace(fault, path=_nearest(self.cells, fault.path) or fault.path)
        return fault if fault.line else replace(fault, line=self.line(fault.path))


_T = TypeVar("_T")


def _nearest(known: Mapping[str, _T], path: str) -> _T | None:
    while path not in known:
        cut = max(path.rfind("."), path.rfind("["))
        if cut < 0:
            return None
        path = path[:cut]
    return known[path]


def child(path: str, key: str | int) -> str:
    """Path of an entry of a mapping or of a list.

    >>> child(child("$.alarms", 1), "set"), child("$", "not a name")
    ('$.alarms[1].set', "$['not a name']")
    """
    if isinstance(key, int):
        return f"{path}[{key}]"
    return f"{path}.{key}" if _KEY.fullmatch(key) else f"{path}[{key!r}]"


def read_tree(text: str, source: str) -> Tree:
    """Read YAML text; raises Unreadable where it is not YAML, or not one mapping."""
    if len(text) > MAX_CHARACTERS:
        raise _refuse(
            source,
            said("found {count} characters, expected at most {most}", count=len(text), most=MAX_CHARACTERS),
            None,
        )
    try:
        reader = YAML(typ="safe", pure=True)
        reader.composer.warn_double_anchors = False  # YAML allows it: an alias means the last anchor of its name
        root = reader.compose(text)
    except MarkedYAMLError as error:
        raise _refuse(source, *_syntax(error, text)) from error
    except RecursionError as error:
        raise _refuse(
            source, said("found values nested deeper than {most} levels, expected a flat file", most=MAX_DEPTH), None
        ) from error
    except (YAMLError, ValueError, TypeError, AttributeError, IndexError) as error:  # the reader's own ways to give up
        message = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise _refuse(source, said("found text that is not YAML ({message})", message=message), None) from error
    if root is None:
        raise _refuse(
            source, said("found an empty file, expected a site"), None, said("start from an example in examples/")
        )
    if not isinstance(root, MappingNode):
        raise _refuse(
            source,
            said("found no keys at the top, expected `gaswitness: gaswitness/site/1` and the parts of a site"),
            1,
        )
    walk = _Walk()
    try:
        data = walk.value(root, "$", 0)
    except _TooMuch as error:
        raise _refuse(source, error.args[0], error.args[1]) from error
    return Tree(data, walk.lines, tuple(walk.faults))


def _refuse(source: str, message: str, line: int | None, hint: str = "") -> Unreadable:
    return Unreadable(source, (Fault("$", message, hint, line),))


def _syntax(error: MarkedYAMLError, text: str) -> tuple[str, int | None, str]:
    mark = error.problem_mark or error.context_mark
    line = mark.line + 1 if mark else None
    problem = (error.problem or error.context or "").strip()
    lines = text.splitlines()
    shown = lines[line - 1] if line and line <= len(lines) else ""
    if "\t" in shown[: len(shown) - len(shown.lstrip())]:
        return said("found a tab at the start of a line, expected spaces"), line, said("replace each tab by two spaces")
    if "single document" in (error.context or ""):
        return said("found a second document after `---`, expected one"), line, said("keep one site in one file")
    return (
        said("found {found}, which is not YAML: {problem}", found=repr(shown.strip()[:60]), problem=problem),
        line,
        _SYNTAX_HINT,
    )


_SYNTAX_HINT = said("look at this line and the one before: a missing colon, quote or bracket, or uneven indentation")


class _TooMuch(Exception):
    """More values or levels than any site has."""


class _Walk:
    """Walks the nodes once; gathers lines and faults."""

    def __init__(self) -> None:
        self.lines: dict[str, int] = {}
        self.faults: list[Fault] = []
        self.count = 0

    def value(self, node: Node, path: str, depth: int) -> Any:
        self.count += 1
        line = node.start_mark.line + 1
        self.lines.setdefault(path, line)
        if self.count > MAX_VALUES:
            raise _TooMuch(
                said("found more than {most} values once aliases are unfolded, expected a site", most=MAX_VALUES), line
            )
        if depth > MAX_DEPTH:
            raise _TooMuch(
                said("found values nested deeper than {most} levels, expected a flat file", most=MAX_DEPTH), line
            )
        if isinstance(node, ScalarNode):
            return self._scalar(node, path, line)
        if isinstance(node, SequenceNode):
            self._no_tag(node, path, line)
            return [self.value(item, child(path, index), depth + 1) for index, item in enumerate(node.value)]
        self._no_tag(node, path, line)
        return self._mapping(node, path, depth)

    def _mapping(self, node: Node, path: str, depth: int) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for key_node, value_node in node.value:
            line = key_node.start_mark.line + 1
            if not isinstance(key_node, ScalarNode):
                self.faults.append(
                    Fault(path, said("found a list or a mapping used as a key, expected a word"), "", line)
                )
                continue
            key = str(key_node.value)
            at = child(path, key)
            if key in found:
                message = said("found the key {found} twice, expected it once", found=repr(key))
                hint = said("first seen on line {line}; keep one of them", line=self.lines[at])
                self.faults.append(Fault(at, message, hint, line))
                continue
            self.lines[at] = line
            found[key] = self.value(value_node, at, depth + 1)
        return found

    def _no_tag(self, node: Node, path: str, line: int) -> None:
        if str(node.tag) not in (f"{_PLAIN}map", f"{_PLAIN}seq"):
            self.faults.append(
                Fault(path, said("found the tag {found}, expected plain values", found=repr(str(node.tag))), "", line)
            )

    def _scalar(self, node: Node, path: str, line: int) -> Any:
        tag, text = str(node.tag), str(node.value)
        if not tag.startswith(_PLAIN):
            self.faults.append(
                Fault(path, said("found the tag {found}, expected plain values", found=repr(tag)), "", line)
            )
            return None
        kind = tag.removeprefix(_PLAIN)
        if kind == "null":
            return None
        if kind == "bool" and text.lower() in ("true", "false"):
            return text.lower() == "true"
        if kind in ("int", "float"):
            return _number(text)
        return text


def _number(text: str) -> int | float | str:
    """A decimal number; what YAML calls a number beyond that stays text, for the record to refuse."""
    for read in (int, float):
        try:
            return read(text)
        except ValueError:
            continue
    return text
