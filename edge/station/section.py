"""What all sections of a station file share."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

from edge.units import Quantity, parse


class Section(BaseModel):
    """What all sections share: unknown keys and wrong types are errors, values do not change."""

    # Only the whole is ever validated: parts with validators of their own would cost the daemon
    # megabytes for nothing, so these are built when they are asked for.
    model_config = ConfigDict(
        extra="forbid",
        strict=True,
        frozen=True,
        use_attribute_docstrings=True,
        defer_build=True,
    )


def value_of(given: Quantity | None) -> float | None:
    """Return the number of a key that may have been left out, in its base unit."""
    return None if given is None else given.value


def quantity(text: str) -> Quantity:
    """Return a default value as a station file would write it."""
    return parse(text)
