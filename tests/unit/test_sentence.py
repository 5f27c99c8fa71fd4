"""A sentence is its English, and remembers what it was made of."""

from __future__ import annotations

import copy
import json
import pickle

import pytest
from pydantic import ValidationError

from gaswitness.records import Kept, Record, Told
from gaswitness.run.events import LinkChanged
from gaswitness.sentence import Figure, Listing, Sentence, as_document, kept, listed, of_document, opened, said
from gaswitness.sentence import together as put_together
from gaswitness.telling import Teller, sentences
from gaswitness.wording import amount, level, number, seconds


class Line(Record):
    text: Told
    made: tuple[Kept, ...] = ()


class Detector:
    unit, resolution_ppm, lfl = "ppm", 1.0, None


def a_sentence() -> Sentence:
    return said("{tag}: no reading for {lost}", tag="H-1", lost=amount(Figure("1,234"), "s"))


def test_a_sentence_is_plain_english_to_whoever_wants_that():
    text = a_sentence()
    assert text == "H-1: no reading for 1,234 s"
    assert json.dumps({"text": text}) == '{"text": "H-1: no reading for 1,234 s"}'
    assert {text: 1}["H-1: no reading for 1,234 s"] == 1


def test_a_field_keeps_the_sentence_in_memory_and_is_english_in_json():
    line = Line(text=a_sentence())
    assert isinstance(line.text, Sentence)
    assert line.model_dump_json() == '{"text":"H-1: no reading for 1,234 s","made":[]}'
    again = Line.model_validate_json(line.model_dump_json())
    assert type(again.text) is str
    assert again == line
    assert isinstance(line.model_copy().text, Sentence)


def test_a_kept_sentence_comes_back_whole_from_json():
    nested = said("{who} at {posts}: {what}", who="A. Person", posts=listed(["P-1", "P-2"], " and "), what=a_sentence())
    again = Line.model_validate_json(Line(text="", made=(nested,)).model_dump_json()).made[0]
    assert again == nested
    assert as_document(again) == as_document(nested)


@pytest.mark.parametrize(
    "document",
    [
        3,
        "a text, which is no sentence",
        {"template": "{a}", "values": {}},
        {"template": "{a.b}", "values": {"a": "x"}},
        {"template": "{0}", "values": {}},
        {"template": "x", "values": {}, "more": 1},
        {"figure": "3"},
        {"template": "{a}", "values": {"a": 3}},
        {"template": "{", "values": {}},
    ],
)
def test_what_is_no_sentence_is_refused_with_one_message(document):
    with pytest.raises(ValidationError):
        Line.model_validate({"text": "", "made": [document]})


def test_a_template_of_a_file_cannot_reach_beyond_its_values():
    with pytest.raises(ValueError, match="template"):
        of_document({"template": "{a.__class__}", "values": {"a": "x"}})


@pytest.mark.parametrize("back", [copy.deepcopy, lambda one: pickle.loads(pickle.dumps(one))])
def test_a_copy_remembers_too(back):
    one = put_together(a_sentence(), "", said("unknown"))
    assert isinstance(back(one), Listing)
    assert Teller("de")(back(one)) == Teller("de")(one)


def test_german_numbers_cannot_be_read_as_others():
    tell = Teller("de")
    assert tell(level(Detector, 21_000.0)) == "21\u202f000\u00a0ppm"
    assert tell(number(0.23456)) == "0,2346"
    assert tell(seconds(600.0)) == "10\u00a0min"
    assert tell(number(float("inf"))) == "nie"


def test_english_is_untouched():
    text = a_sentence()
    assert Teller("en", [text])(text) == text


def test_what_the_catalogue_lacks_stays_english():
    made = of_document({"template": "Nobody wrote {n} of these.", "values": {"n": {"figure": "1,000"}}})
    assert Teller("de")(made) == "Nobody wrote 1,000 of these."


def test_english_that_was_kept_alone_is_told_by_the_sentence_it_came_from():
    inner = amount(number(1234.5), "ppm")
    tell = Teller("de", [Sentence("Nobody wrote {n} of these.", {"n": inner})])
    assert tell(str(inner)) == "1\u202f234\u00a0ppm"


def test_a_note_opens_with_a_capital_in_every_language():
    assert opened(said("never")) == "Never"
    assert Teller("de")(opened(said("never"))) == "Nie"
    both = said("{names} have failed, all else works", names=listed([said("ventilation"), "H-1"], " and "))
    assert opened(both) == "Ventilation and H-1 have failed, all else works"
    assert Teller("de")(opened(both)) == "Lüftung und H-1 sind ausgefallen, alles andere arbeitet"


def test_names_with_braces_are_names():
    assert said("{tag}: back", tag="{H}-1") == "{H}-1: back"


def test_the_catalogue_is_sorted_and_says_nothing_twice():
    templates = list(sentences("de"))
    assert templates == sorted(templates)


def test_why_a_link_was_down_is_told_in_german_from_the_ledger_too():
    why = said("{where}: no answer within {wait} s", where="modbus-tcp://192.0.2.1:502", wait=Figure("1.5"))
    event = LinkChanged(t_s=1.0, wall="2026-11-25T09:00:00Z", url="x", up=False, reason=why, wording=kept(why))
    again = LinkChanged.model_validate_json(event.model_dump_json())
    assert again.reason == why
    assert "keine Antwort innerhalb von 1,5" in Teller("de")(again.why)


def test_a_wording_that_is_not_that_of_its_text_is_not_shown():
    other = kept(said("down"))
    event = LinkChanged(t_s=1.0, wall="2026-11-25T09:00:00Z", url="x", up=False, reason="no answer", wording=other)
    assert event.why == "no answer"
