"""A step of a calculation, so that whoever checks the plan can follow it on paper."""

from __future__ import annotations

from typing import NamedTuple


class Step(NamedTuple):
    """What was reckoned, its value, and the unit of that; "" for a bare factor."""

    what: str
    value: float
    unit: str = ""
