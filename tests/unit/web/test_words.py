"""The catalogue: complete in both languages, used everywhere, and nothing said outside it."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from pathlib import Path
from string import Formatter

import pytest

from gaswitness.judge.records import Outcome
from gaswitness.plan.records import StepKind
from gaswitness.telling import LANGUAGES
from gaswitness.web.words import Words, catalogue, language_of

WEB = Path(__file__).resolve().parents[3] / "src" / "gaswitness" / "web"
TEMPLATES = sorted((WEB / "templates").glob("*.html"))
SCRIPTS = sorted((WEB / "static").glob("*.js"))


def open_places(text: str) -> set[str]:
    return {name for _, name, _, _ in Formatter().parse(text) if name}


def test_both_languages_say_the_same_things():
    english, german = catalogue("en"), catalogue("de")
    assert set(english) == set(german)
    for key in english:
        assert open_places(english[key]) == open_places(german[key]), key
        assert english[key].strip(), key
        assert german[key].strip(), key


def test_german_is_german():
    english, german = catalogue("en"), catalogue("de")
    bare = {key: re.sub(r"\{.*?\}", "", text) for key, text in english.items()}
    long = {key for key in english if len(bare[key]) > 12 and english[key] == german[key]}
    assert long == set()


def test_no_key_stands_twice():
    for language in LANGUAGES:
        pairs = json.loads((WEB / "texts" / f"{language}.json").read_text("utf-8"), object_pairs_hook=list)
        assert len({key for key, _ in pairs}) == len(pairs)


class Literal(HTMLParser):
    """Words that a template says by itself: between tags, or in an attribute that people get to see or hear."""

    SAID = ("title", "alt", "placeholder", "aria-label", "aria-description", "value")

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self._silent = False

    def handle_starttag(self, tag, attrs):
        self._silent = tag == "script"
        for name, value in attrs:
            if (
                name in self.SAID
                and value
                and re.search(r"[A-Za-z]{3}", value)
                and tag not in ("input", "button", "option")
            ):
                self.found.append(value)

    def handle_endtag(self, tag):
        self._silent = False

    def handle_data(self, data):
        if not self._silent and re.search(r"[A-Za-z]{2}", data):
            self.found.append(data.strip())


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.name)
def test_a_template_says_nothing_by_itself(path):
    text = re.sub(r"\{% block body_class %\}.*?\{% endblock %\}", "", path.read_text("utf-8"))
    bare = re.sub(r"\{%.*?%\}|\{\{.*?\}\}|\{#.*?#\}", "", text, flags=re.DOTALL)
    parser = Literal()
    parser.feed(bare)
    assert parser.found == []


def test_the_check_for_literal_words_sees_them():
    parser = Literal()
    parser.feed('<p title="Stop now">Hello</p><script>var x = "Hello"</script>')
    assert parser.found == ["Stop now", "Hello"]


@pytest.mark.parametrize("path", [*TEMPLATES, *SCRIPTS, *sorted(WEB.glob("*.py"))], ids=lambda path: path.name)
def test_every_key_that_is_used_is_there(path):
    text = path.read_text("utf-8")
    used = set(re.findall(r'\bt\(\s*"([a-z_]+\.[^"]+?)"\s*[,)]', text)) | set(
        re.findall(r'\bt\[\s*"([^"]+)"\s*\]', text)
    )
    used |= set(re.findall(r'(?:HTTPException\(\d+, |Refused\(|return 4\d\d, |scope, 4\d\d, )"([a-z_]+\.[^"]+)"', text))
    assert used <= set(catalogue("en"))


@pytest.mark.parametrize(("prefix", "union"), [("kind.", StepKind), ("outcome.", Outcome)])
def test_every_word_of_the_trade_has_its_text(prefix, union):
    assert {f"{prefix}{one}" for one in union.__args__} <= set(catalogue("en"))


@pytest.mark.parametrize(
    ("chosen", "accept", "language"),
    [
        (None, "de-AT,de;q=0.9,en;q=0.8", "de"),
        (None, "fr, en;q=0.4, de;q=0.5", "de"),
        (None, "fr", "en"),
        (None, "", "en"),
        (None, "de;q=nonsense, en", "en"),
        ("en", "de", "en"),
        ("xx", "de", "de"),
    ],
)
def test_the_browser_chooses_the_language_unless_a_person_did(chosen, accept, language):
    assert language_of(chosen, accept) == language


def test_a_text_is_filled_in_by_name():
    assert Words("de")("site.line", line=7) == "Zeile 7"


async def test_a_page_comes_in_the_language_of_the_browser(visit):
    async with visit(language="de-CH, en;q=0.5") as browser:
        text = (await browser.get("/")).text
    assert '<html lang="de">' in text
    assert "Noch nicht angemeldet" in text
