"""Where readings and status come from: real links, recorded ones, and the simulated installation."""

from gaswitness.links.opening import ByHandLink, open_link

__all__ = ["ByHandLink", "open_link"]
