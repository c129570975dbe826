"""The well function W(u) of Theis: the exponential integral E1(u).

Sources: Theis (1935), as tabled in USGS Water-Supply Paper 1536-E; computed by the series and the
continued fraction of Abramowitz & Stegun, Handbook of Mathematical Functions, 5.1.11 and 5.1.22.
"""

from __future__ import annotations

import math

_EULER_GAMMA = 0.5772156649015329
_ENOUGH_TERMS = 200
# Below this the series needs three terms and no loop: most of a well's life.
_SMALL = 1e-3


def well_function(u: float) -> float:
    """Return W(u), to about 14 digits; infinite at 0. Raises ValueError for a negative ``u``."""
    if u < 0:
        msg = f"W(u) is for u >= 0, not for {u}"
        raise ValueError(msg)
    if u == 0:
        return math.inf
    if u < _SMALL:
        return u * (1 - u * (1 / 4 - u / 18)) - math.log(u) - _EULER_GAMMA
    return _series(u) if u < 1 else _continued_fraction(u)


def _series(u: float) -> float:
    total = -_EULER_GAMMA - math.log(u)
    term = -1.0
    for n in range(1, _ENOUGH_TERMS):
        term *= -u / n
        total += term / n
        if abs(term) < 1e-17:
            break
    return total


def _continued_fraction(u: float) -> float:
    # Lentz's method for e**-u * 1/(u + 1 - 1/(u + 3 - 4/(u + 5 - 9/(u + 7 - ...)))).
    b = u + 1
    c = math.inf
    d = 1 / b
    fraction = d
    for n in range(1, _ENOUGH_TERMS):
        b += 2
        d = 1 / (b - n * n * d)
        c = b - n * n / c
        fraction *= c * d
        if abs(c * d - 1) < 1e-15:
            break
    return fraction * math.exp(-u)
