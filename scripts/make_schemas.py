"""Write what follows from the records: the JSON Schemas in schemas/ and the tables of keys in docs/site-file.md.

python scripts/make_schemas.py          write them
python scripts/make_schemas.py --check  exit 1 where one is out of date
"""

from __future__ import annotations

import ast
import inspect
import json
import re
import sys
import textwrap
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, TypeAdapter

from gaswitness.judge.records import Judgement
from gaswitness.learn.due import Due
from gaswitness.learn.records import DetectorTest
from gaswitness.plan.records import Plan
from gaswitness.records import Record
from gaswitness.run.events import EVENT
from gaswitness.site.records import Site

REPO = Path(__file__).resolve().parent.parent
DOCUMENTS: dict[str, TypeAdapter[Any]] = {
    "site": TypeAdapter(Site),
    "plan": TypeAdapter(Plan),
    "event": EVENT,
    "judgement": TypeAdapter(Judgement),
    "tested": TypeAdapter(DetectorTest),
    "due": TypeAdapter(Due),
}
BEGIN, END = "<!-- keys: written by scripts/make_schemas.py -->", "<!-- keys: end -->"


def key_docs(record: type[BaseModel]) -> dict[str, str]:
    """The sentence under each field of a record, its own and inherited, by field name."""
    docs: dict[str, str] = {}
    for cls in reversed(record.__mro__):
        if not (isinstance(cls, type) and issubclass(cls, BaseModel)) or cls in (BaseModel, Record):
            continue
        body = ast.parse(textwrap.dedent(inspect.getsource(cls))).body[0]
        assert isinstance(body, ast.ClassDef)
        for field, said in zip(body.body, body.body[1:], strict=False):
            if (
                isinstance(field, ast.AnnAssign)
                and isinstance(field.target, ast.Name)
                and isinstance(said, ast.Expr)
                and isinstance(said.value, ast.Constant)
            ):
                docs[field.target.id] = " ".join(str(said.value.value).split())
    return docs


def records() -> dict[str, type[Record]]:
    """Every record by its name."""

    def below(cls: type[Record]) -> list[type[Record]]:
        return [found for child in cls.__subclasses__() for found in (child, *below(child))]

    return {record.__name__: record for record in below(Record)}


def schema(name: str) -> dict[str, Any]:
    """JSON Schema of one kind of document, with the sentences of the records as descriptions."""
    made = DOCUMENTS[name].json_schema(by_alias=True)
    known = records()
    own = {made["title"]: made} if "title" in made else {}
    for title, part in {**own, **made.get("$defs", {})}.items():
        if title not in known or "properties" not in part:
            continue
        docs = key_docs(known[title])
        for field_name, field in known[title].model_fields.items():
            entry = part["properties"][field.alias or field_name]
            if field_name in docs:
                entry["description"] = " ".join([docs[field_name], entry.get("description", "")]).strip()
            if isinstance(entry.get("default"), float) and entry.get("type") == "string":
                whole = TypeAdapter(Annotated[field.annotation, *field.metadata])
                entry["default"] = whole.dump_python(field.default, mode="json")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **made}


def kind_of(part: dict[str, Any]) -> str:
    """A property's kind in words."""
    if "$ref" in part:
        name = part["$ref"].rsplit("/", 1)[-1]
        return f"`{name}`" if name != "Amount" else "amount, `20 % of set`"
    if "const" in part:
        return f"`{part['const']}`"
    if "enum" in part:
        return " / ".join(f"`{value}`" for value in part["enum"])
    if "anyOf" in part:
        return " or ".join(kind_of(branch) for branch in part["anyOf"] if branch.get("type") != "null")
    if part.get("type") == "array":
        items = part.get("items", {})
        return f"list of {kind_of(items)}"
    if part.get("format") == "date":
        return "date, `2027-06-30`"
    if quantity := re.search(r"\ban? (\w[\w ]*), with its unit$", part.get("description", "")):
        return f"{quantity[1]}, `{part['examples'][0]}`"
    return {"string": "text", "boolean": "true / false", "integer": "whole number", "number": "number"}[part["type"]]


def default_of(part: dict[str, Any], required: bool) -> str:
    """What holds where a key is left out."""
    if required:
        return "required"
    value = part.get("default")
    if value in (None, [], ""):
        return "none"
    return f"`{json.dumps(value)}`" if not isinstance(value, str) else f"`{value}`"


def key_tables() -> str:
    """One Markdown table for each record that a site file may hold, the site itself first."""
    made = schema("site")
    parts = {"Site": made, **{name: part for name, part in made["$defs"].items() if "properties" in part}}
    known = records()
    lines: list[str] = []
    in_order = sorted(known, key=lambda name: known[name].__module__.endswith(".wires"))  # links last, as in a file
    for name in [record for record in in_order if record in parts and record != "Site"] + ["Site"]:
        part = parts[name]
        intro = " ".join(str(part.get("description", "")).split())
        lines += [f"### {name}", "", intro, "", "| key | value | if left out | |", "|---|---|---|---|"]
        docs = key_docs(known[name])
        for field_name, field in known[name].model_fields.items():
            key = field.alias or field_name
            entry = part["properties"][key]
            default = default_of(entry, key in part.get("required", []))
            lines.append(f"| `{key}` | {kind_of(entry)} | {default} | {docs.get(field_name, '')} |")
        lines.append("")
    return "\n".join(lines)


def wanted() -> dict[Path, str]:
    """Every file that follows from the records, with what it should hold."""
    files = {
        REPO / "schemas" / f"{name}.schema.json": json.dumps(schema(name), indent=2, ensure_ascii=False) + "\n"
        for name in DOCUMENTS
    }
    page = REPO / "docs" / "site-file.md"
    text = page.read_text(encoding="utf-8")
    before, _, rest = text.partition(BEGIN)
    _, _, after = rest.partition(END)
    files[page] = f"{before}{BEGIN}\n\n{key_tables()}\n{END}{after}"
    return files


def main() -> int:
    """Write the files, or compare them."""
    checking = "--check" in sys.argv[1:]
    stale = [path for path, text in wanted().items() if not path.is_file() or path.read_text(encoding="utf-8") != text]
    if checking:
        for path in stale:
            print(f"out of date: {path.relative_to(REPO)}", file=sys.stderr)
        return 1 if stale else 0
    for path in stale:
        path.write_text(wanted()[path], encoding="utf-8", newline="\n")
        print(f"written: {path.relative_to(REPO)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
