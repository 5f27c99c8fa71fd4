"""An amount of gas given outright, or as a share of something: `100 ppm`, `20 % of set`, `2 % of range`."""

from __future__ import annotations

import re
from typing import Any, Literal

from pydantic import Field, GetJsonSchemaHandler, ValidationInfo, model_serializer, model_validator
from pydantic_core import CoreSchema

from gaswitness.errors import UnitError
from gaswitness.records import UNITS_REQUIRED, Record
from gaswitness.sentence import said
from gaswitness.units import parse_quantity, write_quantity

Of = Literal["ppm", "set", "range", "level"]
_SHARE = re.compile(r"\s*(\d+\.?\d*|\.\d+)\s*%\s*of\s+(set|range|level)\s*", re.ASCII)


class Amount(Record):
    """`value` ppm, or `value` percent of the set level, the range, or the gas level."""

    value: float = Field(ge=0)
    of: Of

    @model_validator(mode="before")
    @classmethod
    def _read(cls, raw: Any, info: ValidationInfo) -> Any:
        if not isinstance(raw, str):
            if info.context == UNITS_REQUIRED:
                raise ValueError(
                    said("found no text, expected '100 ppm', '20 % of set', '2 % of range' or '2 % of level'")
                )
            return raw
        if match := _SHARE.fullmatch(raw):
            return {"value": float(match[1]), "of": match[2]}
        if "%vol" not in raw and "%" in raw:
            raise ValueError(
                said(
                    "found {found}, expected a percentage of something: '5 % of set', '2 % of range', '2 % of level'",
                    found=repr(raw[:60]),
                )
            )
        try:
            return {"value": parse_quantity(raw, "fraction"), "of": "ppm"}
        except UnitError as error:  # pydantic gathers only ValueError with its path
            raise ValueError(error.message) from error

    @model_serializer
    def _write(self) -> str:
        if self.of == "ppm":
            return write_quantity(self.value, "fraction")
        return (
            f"{self.value:g} % of {self.of}"
            if float(f"{self.value:g}") == self.value
            else f"{self.value!r} % of {self.of}"
        )

    @classmethod
    def __get_pydantic_json_schema__(cls, core_schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return {
            "type": "string",
            "description": "a concentration, or a percentage of the set level, the range or the gas level",
            "examples": ["100 ppm", "20 % of set", "2 % of range", "2 % of level"],
        }

    def resolve(
        self, *, set_ppm: float | None = None, range_ppm: float | None = None, level_ppm: float | None = None
    ) -> float:
        """The amount in ppm.

        >>> Amount.model_validate("20 % of set").resolve(set_ppm=2000.0)
        400.0
        """
        if self.of == "ppm":
            return self.value
        base_ppm = {"set": set_ppm, "range": range_ppm, "level": level_ppm}[self.of]
        if base_ppm is None:
            raise UnitError(
                said("found '{amount}' where there is no {base} to take it of", amount=str(self), base=self.of)
            )
        return self.value / 100.0 * base_ppm

    def __str__(self) -> str:
        return self._write()
