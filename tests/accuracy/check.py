"""One comparison of what livezero computes with what a source outside the project says."""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal

EXACT = 1e-9
"""Relative tolerance of formulas and definitions that leave no room for rounding."""


@dataclass(frozen=True, slots=True)
class Check:
    """A row of the table. Errors and tolerances are relative to ``expected``, or where that is
    nought, absolute."""

    what: str
    source: str
    expected: float
    computed: float
    tolerance: float

    @property
    def error(self) -> float:
        """How far off the computed number is."""
        return abs(self.computed - self.expected) / (abs(self.expected) or 1.0)

    @property
    def ok(self) -> bool:
        """Whether it is within the tolerance."""
        return math.isfinite(self.computed) and self.error <= self.tolerance


def exact(what: str, source: str, expected: float, computed: float) -> Check:
    """Compare with a number that is exact: a definition, a formula, a reference library."""
    return Check(what, source, expected, computed, EXACT)


def printed(what: str, source: str, expected: str, computed: float) -> Check:
    """Compare with a number as a table prints it: half a unit of its last digit is allowed."""
    number = Decimal(expected)
    half_unit = Decimal((0, (5,), int(number.as_tuple().exponent) - 1))
    # A thousandth more, for a computed number that is itself a rounding's edge.
    allowed = half_unit / (abs(number) or 1) * Decimal("1.001")
    return Check(what, source, float(number), computed, float(allowed))


def within(what: str, source: str, expected: float, computed: float, tolerance: float) -> Check:
    """Compare with a number whose source states, or whose method has, a tolerance of its own."""
    return Check(what, source, expected, computed, tolerance)
