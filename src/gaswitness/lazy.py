"""Names of a package that are fetched when somebody asks for them (PEP 562).

`gaswitness check` must not wait for the arithmetic of a forecast that it never makes.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping
from typing import Any


def exporter(package: str, homes: Mapping[str, tuple[str, ...]]) -> Callable[[str], Any]:
    """A `__getattr__` for `package`: `homes` says which of its modules holds which names."""
    home = {name: module for module, names in homes.items() for name in names}

    def fetch(name: str) -> Any:
        if name not in home:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        return getattr(importlib.import_module(f"{package}.{home[name]}"), name)

    return fetch
