"""Tiers that several bands share, and tiers that count through a year: what their tables say."""

from decimal import Decimal
from typing import Annotated, Literal

from pydantic import BeforeValidator, WithJsonSchema

from tariffs.reading.models import Text
from tariffs.sheet.fields import exact_table

PriceByBand = Annotated[
    dict[str, Decimal],
    BeforeValidator(exact_table),
    WithJsonSchema({"type": "object", "additionalProperties": {"type": "number"}}),
]

IN_PROPORTION: Literal["in-proportion"] = "in-proportion"


def _sharing(value: object) -> object:
    if value == IN_PROPORTION or (
        isinstance(value, list) and value and all(isinstance(name, str) for name in value)
    ):
        return value
    raise ValueError(
        'should be "in-proportion" (every tier holds the bands in the proportion of their kWh), or a list of bands '
        "in the order in which they use the tiers up"
    )


Sharing = Annotated[
    Literal["in-proportion"] | tuple[Text, ...],
    BeforeValidator(_sharing, json_schema_input_type=Literal["in-proportion"] | list[str]),
]
