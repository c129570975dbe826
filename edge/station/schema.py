"""The JSON Schema of station files, for editors to complete and check by.

It knows types, keys and single values. What spans several keys, and which units measure what, only
`edge.station.loader` judges: a file that breaks the schema is wrong, one that keeps it may be.
"""

from __future__ import annotations

from typing import Any

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from edge.station.model import Station
from edge.units import Quantity

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a station file."""
    schema = Station.model_json_schema(schema_generator=_StationSchema)
    return {"$schema": DIALECT, **schema, "title": "livezero station file"}


class _StationSchema(GenerateJsonSchema):
    def field_title_should_be_set(self, schema: Any) -> bool:  # noqa: ARG002
        """Leave out titles that only repeat the key."""
        return False

    def encode_default(self, dft: Any) -> Any:
        """Write default quantities as a station file would."""
        if isinstance(dft, Quantity):
            return str(dft)
        if isinstance(dft, tuple):
            return [self.encode_default(item) for item in dft]
        return super().encode_default(dft)

    def dict_schema(self, schema: core_schema.DictSchema) -> JsonSchemaValue:
        """Allow no names of entries but those that match the pattern."""
        made = super().dict_schema(schema)
        return made | ({"additionalProperties": False} if "patternProperties" in made else {})
