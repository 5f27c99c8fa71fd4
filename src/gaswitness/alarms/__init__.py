"""Alarm points as pure step functions, the same over arrays, loop currents, voting, and the effects that follow."""

from gaswitness.alarms.arrays import Edges, ReplayState, replay
from gaswitness.alarms.point import KINDS, AlarmPoint, Edge, EdgeKind, PointState

__all__ = ["KINDS", "AlarmPoint", "Edge", "EdgeKind", "Edges", "PointState", "ReplayState", "replay"]
