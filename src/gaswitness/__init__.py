"""gaswitness: prove fixed gas alarm systems, and keep a record that others can trust."""

__version__ = "0.1.0"
