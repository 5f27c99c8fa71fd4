"""gaswitness: prove fixed gas alarm systems, and keep a record that others can trust."""

__all__ = ["__version__"]

__version__ = "0.1.0"
