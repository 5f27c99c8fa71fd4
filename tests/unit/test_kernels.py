"""Kernels: compiled at first call, calling each other, the same without a compiler, and cheap to import."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from gaswitness.kernels import NO_NUMBA, Kernel, compiling, digest, kernel


@kernel
def twice(value: float) -> float:
    return 2.0 * value


@kernel
def total_twice(values: tuple[float, float]) -> float:
    total = 0.0
    for value in values:
        total += twice(value)
    return total


@pytest.mark.parametrize("switch", ["0", "1"])
def test_kernels_call_each_other(monkeypatch: pytest.MonkeyPatch, switch: str) -> None:
    monkeypatch.setenv(NO_NUMBA, switch)
    assert compiling() is (switch == "0")
    fresh = {"twice": Kernel(twice.plain), "total_twice": Kernel(total_twice.plain)}
    monkeypatch.setitem(total_twice.plain.__globals__, "twice", fresh["twice"])
    run = fresh["total_twice"]
    assert hasattr(run.compiled, "py_func") is (switch == "0")
    assert run((1.0, 2.5)) == 7.0
    assert run.compiled is run.compiled


def test_without_the_compiler_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "numba", None)
    assert not compiling()
    assert Kernel(twice.plain)(4.0) == 8.0


def test_a_kernel_keeps_its_name_and_words() -> None:
    assert (twice.__name__, twice.plain(1.5)) == ("twice", 3.0)


def test_importing_kernels_does_not_import_the_compiler() -> None:
    code = "import sys, gaswitness.alarms, gaswitness.alarms.logic; print('numba' in sys.modules)"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "False"


CALLEE = (
    "from gaswitness.kernels import kernel\nFACTOR = {factor}\n\n"
    "@kernel\ndef scaled(value):\n    return FACTOR * value\n"
)
CALLER = (
    "from callee import scaled\nfrom gaswitness.kernels import kernel\n\n"
    "@kernel\ndef run(value):\n    return scaled(value) + 1.0\n\nprint(run(2.0))\n"
)


def test_a_kernel_kept_on_disk_is_not_used_when_what_it_calls_elsewhere_has_changed(tmp_path: Path) -> None:
    (tmp_path / "caller.py").write_text(CALLER, encoding="utf-8")
    said = []
    for factor in ("3.0", "5.0"):
        (tmp_path / "callee.py").write_text(CALLEE.format(factor=factor), encoding="utf-8")
        told = subprocess.run([sys.executable, "caller.py"], capture_output=True, text=True, check=True, cwd=tmp_path)
        said.append(told.stdout.strip())
    assert said == ["7.0", "11.0"]


def test_a_digest_tells_kernels_apart_by_what_they_call_and_by_constants() -> None:
    twin = Kernel(total_twice.plain)
    assert digest(twin) == digest(total_twice)
    assert digest(twice) != digest(total_twice)
