"""Alarm points as pure step functions, the same over arrays, faults, voting, and the effects that follow."""

from gaswitness.alarms.point import AlarmPoint, Edge, EdgeKind, PointState

__all__ = ["AlarmPoint", "Edge", "EdgeKind", "PointState"]
