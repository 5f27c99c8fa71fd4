"""Text to SI numbers and back: the only place where units meet.

Inside the package a concentration is a volume fraction in ppm, everything else is SI; the unit stands in the
name of the variable. Text is settled here, when a file or a register is read.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Literal, overload

from gaswitness.errors import OutOfDomain, UnitError
from gaswitness.sentence import listed, said

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import ArrayLike, NDArray

Dimension = Literal["fraction", "time", "length", "volume", "flow", "mass", "pressure", "temperature"]

_L_MIN = 1e-3 / 60.0

SCALES: dict[Dimension, dict[str, float]] = {
    "fraction": {"ppm": 1.0, "ppb": 1e-3, "%vol": 1e4, "vol%": 1e4},
    "time": {"s": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0, "d": 86400.0},
    "length": {"m": 1.0, "mm": 1e-3, "cm": 1e-2},
    "volume": {"m3": 1.0, "L": 1e-3, "l": 1e-3, "mL": 1e-6},
    "flow": {"m3/s": 1.0, "m3/h": 1 / 3600.0, "L/min": _L_MIN, "l/min": _L_MIN, "mL/min": _L_MIN / 1e3, "L/s": 1e-3},
    "mass": {"kg": 1.0, "g": 1e-3, "lb": 0.45359237},
    "pressure": {"Pa": 1.0, "hPa": 100.0, "kPa": 1e3, "mbar": 100.0, "bar": 1e5},
    "temperature": {"K": 1.0},
}
"""Factor to the unit kept inside, which stands first in each row."""

_CELSIUS = ("degC", "°C", "C")
_ZERO_CELSIUS_K = 273.15
_QUANTITY = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(\S(?:.*\S)?)?\s*", re.ASCII)


def parse_quantity(text: str, dimension: Dimension) -> float:
    """Read a number with its unit into the unit kept inside.

    >>> parse_quantity("2.0 %vol", "fraction")
    20000.0
    >>> parse_quantity("20 degC", "temperature")
    293.15
    """
    known = listed([*SCALES[dimension], *(_CELSIUS[:1] if dimension == "temperature" else ())])
    match = _QUANTITY.fullmatch(text)
    if match is None or match[2] is None:
        raise UnitError(said("found {text}, expected a number and a unit ({known})", text=repr(text[:60]), known=known))
    number, unit = float(match[1]), match[2]
    if dimension == "temperature" and unit in _CELSIUS:
        return number + _ZERO_CELSIUS_K
    scale = SCALES[dimension].get(unit)
    if scale is None:
        raise UnitError(
            said(
                "found the unit {unit} in {text}, expected one of {known}",
                unit=repr(unit[:60]),
                text=repr(text[:60]),
                known=known,
            )
        )
    return number * scale


def write_quantity(value: float, dimension: Dimension) -> str:
    """Write a number in the unit kept inside, such that reading it gives the same number.

    >>> write_quantity(20000.0, "fraction")
    '20000 ppm'
    """
    unit = next(iter(SCALES[dimension]))
    number = str(int(value)) if value == int(value) and abs(value) < 1e15 else repr(value)
    return f"{number} {unit}"


GAS_CONSTANT_J_MOL_K = 8.31446261815324
"""Molar gas constant, exact in the SI of 2019."""

MASS_SCALES = {"mg/m3": 1e-6, "ug/m3": 1e-9, "µg/m3": 1e-9, "g/m3": 1e-3, "kg/m3": 1.0}
"""Mass of gas in a volume of air, factor to kg/m3."""


def molar_volume_m3(temperature_k: float, pressure_pa: float) -> float:
    """Volume of one mole of an ideal gas, V = R T / p [m3].

    >>> round(molar_volume_m3(298.15, 101325.0) * 1e3, 4)
    24.4654

    Raises OutOfDomain unless temperature [K] and pressure [Pa] are above zero.
    """
    if not (temperature_k > 0.0 and pressure_pa > 0.0):
        raise OutOfDomain(
            said("a gas needs a temperature and a pressure above zero"),
            found=(temperature_k, pressure_pa),
            expected=said("kelvins and pascals, both above 0"),
        )
    return GAS_CONSTANT_J_MOL_K * temperature_k / pressure_pa


@overload
def convert(
    value: float,
    from_unit: str,
    to_unit: str,
    *,
    gas: str | None = None,
    temperature_k: float = 298.15,
    pressure_pa: float = 101325.0,
    lfl_ppm: float | None = None,
    lfl_standard: str | None = None,
) -> float: ...
@overload
def convert(
    value: ArrayLike,
    from_unit: str,
    to_unit: str,
    *,
    gas: str | None = None,
    temperature_k: float = 298.15,
    pressure_pa: float = 101325.0,
    lfl_ppm: float | None = None,
    lfl_standard: str | None = None,
) -> NDArray[np.float64]: ...
def convert(
    value: float | ArrayLike,
    from_unit: str,
    to_unit: str,
    *,
    gas: str | None = None,
    temperature_k: float = 298.15,
    pressure_pa: float = 101325.0,
    lfl_ppm: float | None = None,
    lfl_standard: str | None = None,
) -> float | NDArray[np.float64]:
    """A concentration in another unit; a number gives a number, an array an array of the same shape.

    Units: ppm, ppb, %vol (volume fraction); mg/m3, ug/m3, g/m3, kg/m3 (mass of gas in a volume of air, which needs
    the gas); %LFL (which needs `lfl_ppm`, or the gas and the standard its limit comes from).
    c [mg/m3] = x [ppm] M p / (R T) 1e-3, with M in g/mol, p in Pa, T in K: the gas is dilute and ideal.

    >>> round(convert(35.0, "ppm", "mg/m3", gas="CO"), 2)  # NIOSH prints 40
    40.07
    >>> convert(0.5, "%vol", "%LFL", gas="C3H8", lfl_standard="NFPA 497")
    23.80952380952381

    Raises UnitError for an unknown unit or when the gas or the flammable limit is not stated.
    """
    stated = _Stated(gas, temperature_k, pressure_pa, lfl_ppm, lfl_standard)
    factor = 1.0 if from_unit == to_unit else stated.ppm_per(from_unit) / stated.ppm_per(to_unit)
    if isinstance(value, int | float) and not isinstance(value, bool):
        return value * factor
    if isinstance(value, str | bytes | bool) or value is None:
        raise UnitError(said("a concentration to convert must be a number or an array of them"), found=value)
    import numpy as np

    return np.asarray(value, dtype=np.float64) * factor


class _Stated:
    """What the caller said of the gas and the air, and the factors to ppm that follow."""

    def __init__(
        self,
        gas: str | None,
        temperature_k: float,
        pressure_pa: float,
        lfl_ppm: float | None,
        lfl_standard: str | None,
    ) -> None:
        self.gas = gas
        self.molar_volume_m3 = molar_volume_m3(temperature_k, pressure_pa)
        self.lfl_ppm = lfl_ppm
        self.lfl_standard = lfl_standard

    def ppm_per(self, unit: str) -> float:
        if unit in SCALES["fraction"]:
            return SCALES["fraction"][unit]
        if unit in MASS_SCALES:
            if self.gas is None:
                raise UnitError(
                    said("{unit} depends on the gas, and none was named", unit=unit),
                    hint=said("give gas=, such as gas='CO'"),
                )
            from gaswitness.gases.table import gas  # the table needs this module

            molar_mass_kg = gas(self.gas).molar_mass_g_mol * 1e-3
            return MASS_SCALES[unit] / molar_mass_kg * self.molar_volume_m3 * 1e6
        if unit == "%LFL":
            return self._lfl_ppm() / 100.0
        known = listed([*SCALES["fraction"], *MASS_SCALES, "%LFL"])
        raise UnitError(said("no such unit of concentration"), found=unit, expected=said("one of {known}", known=known))

    def _lfl_ppm(self) -> float:
        if self.lfl_ppm is not None:
            if not self.lfl_ppm > 0.0:
                raise UnitError(said("a lower flammable limit must be above zero"), found=self.lfl_ppm)
            return self.lfl_ppm
        if self.gas is None or self.lfl_standard is None:
            raise UnitError(
                said("%LFL has no meaning without the limit it is a share of"),
                hint=said("give lfl_ppm=, or gas= and lfl_standard=; standards differ (propane: 1.7 or 2.1 %vol)"),
            )
        from gaswitness.gases.table import lfl  # the table needs this module

        found = lfl(self.gas, self.lfl_standard).ppm
        assert found is not None  # noqa: S101 - lfl() only answers with a number
        return found
