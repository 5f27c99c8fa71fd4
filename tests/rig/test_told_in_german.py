"""Whole visits told in German: nothing that a page shows stays English, and no number is written the English way.

The check is of how each text is made, not of its words: all of it must be templates that the German catalogue has,
figures, and names. A name is a text of the site's own file, or a word of the code in which there is nothing to say.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

import pytest

from gaswitness.evidence.ledger import read_ledger
from gaswitness.evidence.series import series_of
from gaswitness.gases import gas
from gaswitness.judge import judge
from gaswitness.judge.records import Judgement
from gaswitness.plan.records import Plan
from gaswitness.sentence import sentences_in
from gaswitness.telling import Teller
from support.german import english_in
from support.rigged import example_plan, visit

UNITS = {"ppm", "ppb", "s", "min", "%", "yes", "count"}
WITNESSES = {"rig-witness"}
VISITS = {
    "rink": ("ravensmoor.yaml", ("NH3-1", "CO-1"), ("slow:NH3-1", "noisy:CO-1")),
    "rink, whole": ("ravensmoor.yaml", None, ("dead:NH3-2", "set-point:CO-1")),
    "cellar": ("cellar.yaml", None, ("weak:CO2-B",)),
    "cold store": ("coldstore.yaml", None, ()),
}


def plan_texts(plan: Plan) -> list[str]:
    """Everything of a plan that a page shows."""
    texts = [*(step.text for step in plan.steps), *(one.text for one in plan.criteria), *plan.cautions]
    return [*texts, *(one.why for one in plan.not_shown), *plan.assumptions]


def judged_texts(found: Judgement) -> list[str]:
    """Everything of a judgement that a page shows."""
    findings = [one for verdict in found.verdicts for one in verdict.findings] + list(found.visit)
    texts = [*(one.why for one in found.verdicts), *(one.text for one in findings), *(one.why for one in findings)]
    texts += [cause for one in findings for cause in one.causes]
    texts += [*(one.why for one in found.effects), *(one.explanation for one in found.strays)]
    return [*texts, *found.notes]


def words_of(document: object) -> Iterator[str]:
    """Every text in a record as JSON."""
    if isinstance(document, str):
        yield document
    elif isinstance(document, dict):
        for one in document.values():
            yield from words_of(one)
    elif isinstance(document, list | tuple):
        for one in document:
            yield from words_of(one)


def names_in(plan: Plan) -> set[str]:
    """What the site calls things, and what is made of its names."""
    site = plan.site
    found = set(words_of(site.model_dump(mode="json"))) | UNITS
    points = {f"{d.tag}.{name}" for d in site.detectors for name in (*(p.name for p in d.alarms), "fault")}
    effects = {f"{effect.tag}.{end}" for effect in site.effects for end in ("on", "inhibited")}
    steps = {step.id for step in plan.steps}
    ids = {one.id.partition("/")[2] for one in plan.criteria}
    gases = [gas(one.gas) for one in site.cylinders]
    published = {row.name for one in gases for row in one.limits} | {
        row.standard for one in gases for row in one.flammability
    }
    return found | points | effects | steps | ids | published


def left_english(texts: Iterable[str], plan: Plan, names: set[str]) -> set[str]:
    known = sentences_in(plan.wording)
    return {one for text in texts for one in english_in(text, names, known)}


@pytest.mark.parametrize(("name", "tags", "faults"), VISITS.values(), ids=VISITS.keys())
def test_a_visit_is_german_from_plan_to_judgement(name, tags, faults):
    made = example_plan(name, tags)
    plan = Plan.model_validate_json(made.model_dump_json())  # as the board reads it
    names = names_in(plan) | WITNESSES
    assert left_english(plan_texts(plan), plan, names) == set()

    messages: dict[str, str] = {}
    shown: dict[str, str] = {}

    def see(snapshot):
        messages.update((one.text, one.text) for one in snapshot.messages)
        shown.update((one.name, one.name) for one in snapshot.watched)
        shown.update((one, one) for one in snapshot.cautions)
        if snapshot.step is not None:
            shown[snapshot.step.text] = snapshot.step.text

    ledger = read_ledger(visit(plan, faults=faults, show=see))
    found = judge(series_of(ledger))
    people = {one.witness for one in ledger.events if hasattr(one, "witness")}
    names |= people | {one.by for one in ledger.events if hasattr(one, "by")}
    assert left_english(judged_texts(found), plan, names) == set()
    assert left_english([*messages.values(), *shown.values()], plan, names) == set()

    tell = Teller("de", plan.wording)
    told = [tell(text) for text in (*plan_texts(plan), *judged_texts(found), *messages.values())]
    figures = re.compile(r"(?<![\w.,/-])\d{1,3}(,\d{3})+(?![\d,])|(?<![\w.,/-])\d+\.\d+")
    citations = re.compile(r"29 CFR 1910\.146|2024/573")
    assert [text for text in told if re.search(r"\d\.\d", citations.sub("", text)) and figures.search(text)] == []


def test_a_plan_kept_before_there_were_templates_still_shows_its_english():
    made = example_plan("cellar.yaml")
    old = Plan.model_validate_json(made.model_copy(update={"wording": ()}).model_dump_json())
    tell = Teller("de", old.wording)
    assert tell(old.steps[0].text) == made.steps[0].text
