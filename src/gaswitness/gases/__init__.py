"""Facts about gases, each with its source."""

from gaswitness.gases.facts import CHECK_THE_TEXT, FlammableLimit, Gas, Limit, Missing, Origin
from gaswitness.gases.hazards import cautions, hazards_at
from gaswitness.gases.table import all_gases, gas, lfl

__all__ = [
    "CHECK_THE_TEXT",
    "FlammableLimit",
    "Gas",
    "Limit",
    "Missing",
    "Origin",
    "all_gases",
    "cautions",
    "gas",
    "hazards_at",
    "lfl",
]
