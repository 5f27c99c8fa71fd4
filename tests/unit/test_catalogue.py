"""The catalogue of sentences: all that the code says is there, nothing else, with the same places in braces."""

from __future__ import annotations

import ast
import re

import pytest

from gaswitness.sentence import Figure, as_document, of_document
from gaswitness.telling import LANGUAGES, Teller, sentences
from support.templates import PACKAGE, templates

OTHERS = [language for language in LANGUAGES if language != "en"]


def places(template: str) -> set[str]:
    return set(re.findall(r"\{(\w+)\}", template))


@pytest.mark.parametrize("language", OTHERS)
def test_every_sentence_of_the_code_is_there(language):
    assert [f"{at}: {one}" for one, at in templates().items() if one not in sentences(language)] == []


@pytest.mark.parametrize("language", OTHERS)
def test_nothing_is_there_that_nobody_says(language):
    assert set(sentences(language)) - set(templates()) == set()


@pytest.mark.parametrize("language", OTHERS)
def test_the_places_are_the_same(language):
    wrong = {english: told for english, told in sentences(language).items() if places(english) != places(told)}
    assert wrong == {}


@pytest.mark.parametrize("language", OTHERS)
def test_no_long_sentence_is_the_same_in_both(language):
    bare = {english: re.sub(r"\{\w+\}", "", english) for english in sentences(language)}
    assert [e for e, told in sentences(language).items() if len(bare[e].split()) > 2 and e == told] == []


def test_german_templates_have_no_english_number():
    citations = re.compile(r"29 CFR 1910\.146|2024/573|UMC 1106\.2")
    for told in sentences("de").values():
        assert not re.search(r"\d\.\d", citations.sub("", told)), told


def test_a_sentence_is_glued_to_nothing():
    """`said(...) + x`, `said(...).replace`, or one in an f-string would lose what it was made of."""
    wrong = []
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            inner: list[ast.expr] = []
            if isinstance(node, ast.BinOp):
                inner = [node.left, node.right]
            elif isinstance(node, (ast.Attribute, ast.AugAssign, ast.FormattedValue)):
                inner = [node.value]
            for one in inner:
                if isinstance(one, ast.Call) and isinstance(one.func, ast.Name) and one.func.id == "said":
                    wrong.append(f"{path.relative_to(PACKAGE)}:{one.lineno}")
    assert wrong == []


def test_no_number_hides_in_the_text_of_a_value():
    """A value that is an f-string around a call may hold a number in English; names alone may be put together so."""
    wrong = []
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "said"):
                continue
            for value in node.keywords:
                if isinstance(value.value, ast.JoinedStr) and any(
                    isinstance(part, ast.FormattedValue)
                    and (part.format_spec is not None or isinstance(part.value, ast.Call | ast.BinOp))
                    for part in value.value.values
                ):
                    wrong.append(f"{path.relative_to(PACKAGE)}:{node.lineno}")
    assert wrong == []


@pytest.mark.parametrize("language", OTHERS)
def test_every_template_can_be_filled_in(language):
    tell = Teller(language)
    for template in templates():
        made = of_document({"template": template, "values": {name: {"figure": "1,234.5"} for name in places(template)}})
        told = tell(made)
        assert "1,234.5" not in told, template
        assert as_document(of_document(as_document(made))) == as_document(made)


def test_the_check_of_places_sees_a_difference():
    assert places("{tag}: {n} s") != places("{tag}: {m} s")
    assert Teller("de")(Figure("1,234.5")) == "1\u202f234,5"
