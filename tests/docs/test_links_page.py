"""The page on links: its examples are read as they stand there, and hold together with the site of the demo."""

from __future__ import annotations

import re
import textwrap
from datetime import date
from pathlib import Path

import pytest
from ruamel.yaml import YAML

from gaswitness.links import bacnet, messages, objects
from gaswitness.site import Site, load_site
from gaswitness.site.sense import sense_check


def examples(page: str) -> list[str]:
    """Every indented block that begins with `links:`."""
    return [textwrap.dedent(block) for block in re.findall(r"^    links:\n(?:    .*\n)+", page, re.MULTILINE)]


@pytest.fixture
def sites(repo: Path) -> list[Site]:
    """The rink, with each example in place of its own link."""
    rink = (repo / "examples" / "ravensmoor.yaml").read_text("utf-8")
    described = YAML(typ="safe").load(rink)
    made = []
    for example in examples((repo / "docs" / "links.md").read_text("utf-8")):
        own = rink[rink.index("\nlinks:") + 1 : rink.index("\nwarn:") + 1]
        assert YAML(typ="safe").load(own)["links"] == described["links"]
        made.append(load_site(rink.replace(own, example), "docs/links.md"))
    return made


def test_the_examples_hold_together(sites: list[Site]) -> None:
    assert [site.links[0].url for site in sites] == ["bacnet://192.0.2.10", "mqtts://192.0.2.11"]
    for site in sites:
        report = sense_check(site, date(2026, 11, 25))
        said = [fault for fault in (*report.faults, *report.doubts) if fault.path.startswith("$.links")]
        assert said == []
    by_bacnet, by_mqtt = sites
    assert bacnet.target_of(by_bacnet.links[0].url).port == 47808
    assert list(objects.detectors(by_bacnet.links[0], by_bacnet)) == ["NH3-1.reading", "CO2-1.reading"]
    assert list(messages.detectors(by_mqtt.links[0], by_mqtt)) == ["NH3-1.reading"]


def test_every_setting_of_the_environment_is_told(repo: Path) -> None:
    page = (repo / "docs" / "links.md").read_text("utf-8")
    files = (repo / "src" / "gaswitness" / "links").rglob("*.py")
    names = {name for file in files for name in re.findall(r"GASWITNESS_[A-Z_]+", file.read_text("utf-8"))}
    assert len(names) > 1
    assert [name for name in sorted(names) if name not in page] == []
