"""Criteria to findings to verdicts, each value with its uncertainty and decision rule."""

from gaswitness.judge.decide import Decision, decide

__all__ = ["Decision", "decide"]
