"""Alarm logic: one point as a pure step function, the same over arrays, voting, and the effects that follow."""
