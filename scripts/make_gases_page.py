"""Write docs/gases.md from the gas table."""

from __future__ import annotations

from pathlib import Path

from gaswitness.gases import CHECK_THE_TEXT, all_gases
from gaswitness.gases.facts import READ_IN, Gas, Number, Origin
from gaswitness.gases.rules import all_rules
from gaswitness.gases.table import read_in, sources

PAGE = Path(__file__).resolve().parent.parent / "docs" / "gases.md"
NOTES = {text: key for key, text in sources().items()}


def amount(value: Number) -> str:
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def _cited(key: str, text: str) -> str:
    where = read_in()[key]
    return f"- `{key}`: {text}" + (f" ({READ_IN[where]})" if where else "")


def mark(origin: Origin) -> str:
    """The source's short name; a question mark for what was not re-read."""
    return f"{NOTES.get(origin.source, origin.source)}{' ?' if origin.verified == 'from memory' else ''}"


def cited(fact: str, origin: Origin) -> str:
    return fact if origin.verified == "unknown" else f"{fact} ({mark(origin)})"


def table(head: list[str], body: list[list[str]]) -> list[str]:
    return [
        "| " + " | ".join(head) + " |",
        "|" + " --- |" * len(head),
        *("| " + " | ".join(row) + " |" for row in body),
        "",
    ]


def section(found: Gas) -> list[str]:
    title = found.key if found.name == found.key else f"{found.key}: {found.name}"
    facts = [
        f"CAS {found.cas}",
        cited(f"{found.molar_mass_g_mol:.4f} g/mol", found.identity),
        cited(f"density over air {amount(found.relative_density)}", found.density_origin),
        cited(found.moves, found.moves_origin),
        cited(f"class {found.safety_class}", found.class_origin),
        cited(" and ".join(sorted(found.hazards)), found.hazards_origin),
    ]
    if found.aliases:
        facts.insert(0, "also " + ", ".join(found.aliases))
    if found.parts:
        facts.insert(0, " + ".join(f"{100 * part.mass_fraction:g} % {part.gas}" for part in found.parts) + " by mass")
    lines = [f"### {title}", "", "; ".join(facts) + ".", ""]
    body = (
        [[row.name, amount(row.value), row.unit, mark(row.origin), row.note] for row in found.limits]
        + [
            [f"{row.bound}, {row.standard}", amount(row.value), row.unit, mark(row.origin), row.note]
            for row in found.flammability
        ]
        + [
            [f"GWP-100, {row.set}", f"{'< ' if row.below else ''}{row.value:.6g}", "", mark(row.origin), ""]
            for row in found.warming
        ]
    )
    return lines + table(["figure", "value", "unit", "source", "note"], body)


def page() -> str:
    lines = [
        "# Gases",
        "",
        "<!-- written by scripts/make_gases_page.py from src/gaswitness/gases/data; do not edit by hand -->",
        "",
        f"Every figure stands with its source. A question mark means *{CHECK_THE_TEXT}*; `unknown` means that",
        "this table does not know; `none` means that the body sets no limit, or that the gas does not burn. A limit",
        "that is printed in ppm and by mass keeps both printed numbers: neither is worked out from the other. These",
        "figures are no legal advice: the edition in force with you, the site's rules and licensed persons decide.",
        "",
        "A figure without a question mark was computed, is common practice, or was read: once, when this table was",
        "made, in the passage that holds it and no further. The list of sources says where: on a page of the body",
        "named, in a copy by others, in an account by others, or in the table of a library. Editions change: check",
        "what you rely on.",
        "",
        "Conversions take the dilute gas as ideal: c [mg/m3] = x [ppm] M p / (R T) / 1000, by default at 25 degC and",
        "101.325 kPa. EU limits are printed for 20 degC. %LFL always needs the limit and the standard it comes from.",
        "",
        "## Gas by gas",
        "",
    ]
    for found in all_gases().values():
        lines += section(found)
    lines += ["## Published alarm levels", ""]
    lines += table(
        ["rule", "place", "gases", "condition", "stage", "level", "action", "source"],
        [
            [
                rule.id,
                rule.place,
                rule.gases,
                rule.condition,
                rule.stage,
                f"{'at or above' if rule.direction == 'rising' else 'at or below'} {amount(rule.level)} {rule.of}",
                rule.action,
                mark(rule.origin),
            ]
            for rule in all_rules()
        ],
    )
    lines += ["## Sources", "", *(_cited(key, text) for key, text in sources().items()), ""]
    return "\n".join(lines)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8", newline="\n")
