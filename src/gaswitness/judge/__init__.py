"""Criteria to findings to verdicts, each value with its uncertainty and decision rule."""
