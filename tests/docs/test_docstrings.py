"""Docstrings as data sheets: who has one, who states a unit, and whose printed equation carries number and source."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOMS = (
    *("errors", "records", "units", "wording", "clock", "lazy", "paper", "kernels", "exposure", "sound"),
    *("gases", "alarms", "response", "release", "site", "plan", "run", "evidence", "judge", "certify", "learn"),
)
UNIT_IN_NAME = re.compile(
    r"_(s|ms|min|h|ppm|ppm_s|m|m2|m3|m3_s|m3_h|kg|kg_s|kg_m3|g_mol|k|c|pa|bar|db|dba|ma|t|per_hour|per_s|fraction|ratio)$"
)
UNIT_IN_TEXT = re.compile(
    r"\[[^\]]+\]|\b(ppm|mA|dB|kg|m3|seconds|hours|units?|[Pp]robability|share|ratio|[Ff]actor|fraction|part)\b"
)
ANY_UNIT = {
    "gases/facts.py: Gas.limit_value",
    "gases/ventilation.py: positive",
    "judge/budget.py: Budget.dof",
    "judge/budget.py: Budget.u",
    "judge/halves.py: nonzero",
    "release/decay_fit.py: Decay.rms",
    "release/decay_fit.py: noise_of",
    "release/decay_fit.py: smooth",
    "response/cells.py: best_sigma",
    "response/cells.py: expected_weight",
    "response/cells.py: log_probability",
    "response/quality.py: noise_sd",
    "response/result.py: StepFit.curve",
    "response/result.py: StepFit.gain",
    "response/projection.py: quadratic",
    "response/study.py: Case.times",
    "response/study.py: Case.trace",
}
"""Plain arithmetic: the unit of the answer is that of what goes in, or there is none."""
SOURCE = re.compile(
    r"JCGM \d+|CFR \d|NFPA \d+|ISO \d+|EN \d+|ASTM \w+|Mechanical Code|EU \d{4}/\d+|SI of 2019|ideal gas|mass balance"
    r"|NIST/SEMATECH|ILAC-G24|first-order lag|Mathematical Programming|from memory|common practice"
)
FORMULAS = {
    "units.py": ("molar_volume_m3", "convert"),
    "exposure.py": ("exposure", "time_weighted", "mixture"),
    "sound.py": ("level_at_dba", "together_dba", "audible"),
    "gases/ventilation.py": (
        *("us_emergency_m3_s", "en_emergency_m3_s", "air_changes_per_hour", "charge_in_room"),
        "carbon_dioxide_equivalent_t",
    ),
    "judge/decide.py": ("decide", "p_within"),
    "judge/budget.py": ("covariance", "mean_budget", "evaluate", "propagate", "simulate"),
    "response/model.py": ("step_curve", "air_factor"),
    "release/rooms.py": ("simulate", "burst"),
    "release/decay.py": ("air_change",),
    "release/siting.py": ("choose_places",),
    "learn/regression.py": ("fit_linear", "covariance_of"),
    "learn/reliability.py": ("clopper_pearson", "rate_bounds_per_hour", "rate_per_hour", "pfd_average"),
    "learn/ageing.py": ("ageing",),
    "learn/intervals.py": ("share_of_tolerance",),
}
"""The formulas that a certificate, a level or a placement rests on."""

Documented = ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef


def _package(repo: Path) -> Path:
    return repo / "src" / "gaswitness"


def _public(tree: ast.Module) -> Iterator[tuple[str, Documented]]:
    """Public functions and classes, and the public methods of those classes; typing overloads say nothing new."""
    for node in tree.body:
        if isinstance(node, Documented) and not node.name.startswith("_"):
            if any("overload" in ast.unparse(mark) for mark in node.decorator_list):
                continue
            yield node.name, node
            for inner in node.body if isinstance(node, ast.ClassDef) else ():
                if isinstance(inner, ast.FunctionDef | ast.AsyncFunctionDef) and not inner.name.startswith("_"):
                    yield f"{node.name}.{inner.name}", inner


def _everything(repo: Path) -> Iterator[tuple[str, Documented]]:
    package = _package(repo)
    for path in sorted(package.rglob("*.py")):
        relative = path.relative_to(package)
        if relative.parts[0].removesuffix(".py") in ROOMS:
            for name, node in _public(ast.parse(path.read_text(encoding="utf-8"))):
                yield f"{relative.as_posix()}: {name}", node


def test_everything_public_says_what_it_is(repo: Path) -> None:
    found = list(_everything(repo))
    assert len(found) > 400
    assert [where for where, node in found if not ast.get_docstring(node)] == []


def test_every_package_says_what_it_is_for(repo: Path) -> None:
    packages = [path for path in _package(repo).rglob("__init__.py") if path.parent.name != "texts"]
    assert len(packages) > 10
    assert [str(p) for p in packages if not ast.get_docstring(ast.parse(p.read_text(encoding="utf-8")))] == []


def test_a_physical_number_says_its_unit(repo: Path) -> None:
    """In the name of the function, or in its docstring; a number of no unit says that it is a share or a factor."""
    bare = {
        where
        for where, node in _everything(repo)
        if isinstance(node, ast.FunctionDef)
        and node.returns is not None
        and ast.unparse(node.returns) in {"float", "Floats", "NDArray[np.float64]", "float | None"}
        and not UNIT_IN_NAME.search(node.name)
        and not UNIT_IN_TEXT.search(ast.get_docstring(node) or "")
    }
    assert bare == ANY_UNIT


@pytest.mark.parametrize(("module", "name"), [(m, name) for m, names in FORMULAS.items() for name in names])
def test_a_formula_has_a_worked_number_and_a_source(repo: Path, module: str, name: str) -> None:
    """The doctest run proves the number; the source stands with the function or at the top of its module."""
    tree = ast.parse((_package(repo) / module).read_text(encoding="utf-8"))
    doc = ast.get_docstring(dict(_public(tree))[name]) or ""
    assert ">>> " in doc
    assert SOURCE.search(doc + "\n" + (ast.get_docstring(tree) or ""))
