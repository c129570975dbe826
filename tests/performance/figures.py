"""What is measured, and how it is shown."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass


@dataclass(frozen=True)
class Figure:
    """One measured number: of what, in what unit, and how it came about."""

    name: str
    value: float
    unit: str
    how: str


def as_text(figures: list[Figure]) -> str:
    width = max(len(f.name) for f in figures)
    return "\n".join(f"{f.name:<{width}}  {f.value:>10.3f} {f.unit:<5}  {f.how}" for f in figures)


def as_json(figures: list[Figure]) -> str:
    return json.dumps([asdict(f) for f in figures], indent=2)
