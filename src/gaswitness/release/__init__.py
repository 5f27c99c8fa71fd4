"""Gas let out in rooms, and what the detectors would make of it."""

from gaswitness.release.rooms import Change, Course, Flow, Leak, Network, Zone, exchange, exhaust, simulate

__all__ = ["Change", "Course", "Flow", "Leak", "Network", "Zone", "exchange", "exhaust", "simulate"]
