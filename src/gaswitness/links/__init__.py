"""Where readings and status come from: real links, recorded ones, and the simulated installation."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gaswitness.links.opening import ByHandLink, open_link

__all__ = ["ByHandLink", "open_link"]


def __getattr__(name: str) -> Any:
    # Links know of runs and plans, which take longer to import than reading a recorded log does.
    if name in __all__:
        from gaswitness.links import opening

        return getattr(opening, name)
    raise AttributeError(name)
