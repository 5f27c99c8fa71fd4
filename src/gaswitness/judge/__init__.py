"""Criteria to findings to verdicts, each value with its uncertainty and decision rule."""

from gaswitness.judge.decide import Decision, decide
from gaswitness.judge.verdict import judge

__all__ = ["Decision", "decide", "judge"]
