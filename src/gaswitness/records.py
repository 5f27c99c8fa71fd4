"""What all records share: frozen, closed to unknown keys, SI inside, text with units outside.

A field such as ``set_ppm: Ppm = Field(alias="set")`` reads ``"2.0 %vol"`` from a file, holds ``20000.0``,
and is written back as ``"20000 ppm"``: numbers never travel without their unit or a unit in their name.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    PlainSerializer,
    PlainValidator,
    ValidationError,
    ValidationInfo,
    WithJsonSchema,
    WrapValidator,
)
from pydantic_core import PydanticCustomError

from gaswitness.errors import UnitError
from gaswitness.sentence import Listing, Sentence, as_document, listed, of_document, said
from gaswitness.units import SCALES, Dimension, parse_quantity, write_quantity

UNITS_REQUIRED = {"units_required": True}
"""Validation context for text written by people: there a bare number is a fault, since nobody knows its unit."""


class Record(BaseModel):
    """A frozen record that passes between stages."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        validate_by_name=True,
        validate_by_alias=True,
        serialize_by_alias=True,
        ser_json_inf_nan="null",
        allow_inf_nan=False,
    )


def first_complaint(error: ValidationError) -> str:
    """Where a document first departs from its record, and how: `steps.3.kind: Field required`."""
    first = error.errors(include_url=False)[0]
    at = ".".join(str(part) for part in first["loc"]) or "the whole"
    return f"{at}: {first['msg']}"


def _quantity(dimension: Dimension, example: str, description: str) -> tuple[Any, ...]:
    def read(raw: object, info: ValidationInfo) -> object:
        if isinstance(raw, str):
            try:
                return parse_quantity(raw, dimension)
            except UnitError as error:  # pydantic gathers only ValueError with its path
                raise ValueError(error.message) from error
        if info.context == UNITS_REQUIRED and not isinstance(raw, bool) and isinstance(raw, int | float):
            raise ValueError(
                said(
                    "found {found} without a unit, expected a number and a unit ({known})",
                    found=repr(raw),
                    known=listed(SCALES[dimension]),
                )
            )
        return raw

    def write(value: float) -> str:
        return write_quantity(value, dimension)

    schema = {"type": "string", "description": description, "examples": [example]}
    return BeforeValidator(read), PlainSerializer(write), WithJsonSchema(schema)


Ppm = Annotated[float, *_quantity("fraction", "25 ppm", "a concentration by volume, with its unit")]
Seconds = Annotated[float, *_quantity("time", "30 s", "a time, with its unit")]
Metres = Annotated[float, *_quantity("length", "2.5 m", "a length, with its unit")]
CubicMetres = Annotated[float, *_quantity("volume", "10 L", "a volume, with its unit")]
CubicMetresPerSecond = Annotated[float, *_quantity("flow", "0.5 L/min", "a volume flow, with its unit")]
Kilograms = Annotated[float, *_quantity("mass", "120 kg", "a mass, with its unit")]
Pascals = Annotated[float, *_quantity("pressure", "150 bar", "a pressure, with its unit")]
Kelvins = Annotated[float, *_quantity("temperature", "20 degC", "a temperature, with its unit")]


def _keep(value: object, read: Any) -> object:
    return value if isinstance(value, Sentence | Listing) else read(value)


Told = Annotated[str, WrapValidator(_keep, json_schema_input_type=str)]
"""A field with text for people: a sentence stays one in memory, and is its English in JSON."""


def _read(found: object) -> Sentence:
    try:
        made = found if isinstance(found, Sentence) else of_document(found)
    except ValueError as error:
        raise PydanticCustomError("sentence", "{why}", {"why": str(error)}) from error
    if not isinstance(made, Sentence):
        raise PydanticCustomError("sentence", "expected a template with its values")
    return made


Kept = Annotated[
    Sentence,
    PlainValidator(_read),
    PlainSerializer(as_document),
    WithJsonSchema(
        {
            "type": "object",
            "description": "how a text was made: an English template, and its values by name, themselves texts, "
            "figures or lists",
            "required": ["template", "values"],
            "properties": {"template": {"type": "string"}, "values": {"type": "object"}},
            "additionalProperties": False,
        }
    ),
]
"""A sentence in JSON with all that another language needs of it."""
