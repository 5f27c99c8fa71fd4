"""Where readings and status come from: real links, recorded ones, and the simulated installation."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gaswitness.lazy import exporter

if TYPE_CHECKING:
    from gaswitness.links.opening import ByHandLink, open_link

__all__ = ["ByHandLink", "open_link"]


__getattr__ = exporter(__name__, {"opening": ("ByHandLink", "open_link")})
