"""What is generated from the records is up to date, and says the same as the records."""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path
from types import ModuleType

import jsonschema
import pytest

from gaswitness.site import read_site
from gaswitness.site.tree import read_tree


@pytest.fixture(scope="module")
def maker(repo: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_schemas", repo / "scripts" / "make_schemas.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_generated_files_are_up_to_date(maker: ModuleType) -> None:
    stale = [path.name for path, text in maker.wanted().items() if path.read_text(encoding="utf-8") != text]
    assert stale == [], "run python scripts/make_schemas.py"


@pytest.mark.parametrize("name", ["site", "plan", "event", "judgement", "tested", "due"])
def test_schemas_are_schemas(repo: Path, name: str) -> None:
    schema = json.loads((repo / "schemas" / f"{name}.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)


@pytest.fixture(scope="module")
def validator(repo: Path) -> jsonschema.Draft202012Validator:
    schema = json.loads((repo / "schemas" / "site.schema.json").read_text(encoding="utf-8"))
    return jsonschema.Draft202012Validator(schema)


@pytest.mark.parametrize("name", ["ravensmoor", "cellar"])
def test_examples_are_valid_by_the_schema(repo: Path, validator: jsonschema.Draft202012Validator, name: str) -> None:
    text = (repo / "examples" / f"{name}.yaml").read_text(encoding="utf-8")
    validator.validate(read_tree(text, name).data)
    assert text.startswith("# yaml-language-server: $schema=../schemas/site.schema.json\n")


@pytest.mark.parametrize("name", ["ravensmoor", "cellar"])
def test_written_sites_are_valid_by_the_schema(
    repo: Path, validator: jsonschema.Draft202012Validator, name: str
) -> None:
    site = read_site(repo / "examples" / f"{name}.yaml")
    validator.validate(json.loads(site.model_dump_json(exclude_none=True)))


@pytest.mark.parametrize(
    ("old", "new"),
    [("t90:", "t09:"), ("flow: 0.5 L/min", "flow: 5"), ("kind: lamp", "kind: lamb"), ("name: Cider", "nam: C")],
)
def test_the_schema_refuses(repo: Path, validator: jsonschema.Draft202012Validator, old: str, new: str) -> None:
    text = (repo / "examples" / "cellar.yaml").read_text(encoding="utf-8")
    assert old in text
    assert list(validator.iter_errors(read_tree(text.replace(old, new, 1), "cellar").data))


def test_every_key_has_its_row(repo: Path, maker: ModuleType) -> None:
    page = (repo / "docs" / "site-file.md").read_text(encoding="utf-8")
    for name, part in maker.schema("site")["$defs"].items():
        for key in part.get("properties", {}):
            assert f"| `{key}` |" in page, f"{name}.{key}"
