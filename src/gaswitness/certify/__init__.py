"""Verdicts to signed bytes, and back: sign, verify, and a PDF that only draws."""
