"""A lead-acid battery: what it holds, what its terminals show, what it takes, when it freezes.

Theory of operation. The state of charge is the charge in the plates, as a share of the rated
capacity: what a new battery gives in 20 hours at 25 °C, down to 1.75 V a cell.

*Drawing faster* than that leaves some of it unused: Peukert's law, I^k t = constant. Drawing slower
gives more, but by far less than the law has it: the 100-hour ratings that makers print are about
1.1 times the 20-hour rating, so the law is followed up to there and no further.

*Cold* leaves the charge in the plates, but out of reach: an empty battery that warms up has some
again. So cold raises the state of charge at which the battery is empty (`empty_at`), rather than
lowering the state of charge. The table of factors is that of IEEE 485, for discharges of hours. At
the slow rates of a logger a battery loses less, so the table errs on the safe side, and the more so
the colder it is: at -10 °C it leaves 59 %, where Masters (Renewable and Efficient Electric Power
Systems, 2004, figure 9.42, from memory) has 97 % of the 20-hour rating left for a discharge of 72
hours. Who has the maker's curves for cold and slow discharge may size by those.

*At the terminals* there is the voltage at rest, which follows the strength of the acid, less what
is lost inside. What is lost grows as the acid gets thin, and quickly at the very end, however
slowly it is drawn from. On charge the voltage climbs the same way towards full, as less and less is
left in the plates to be charged. A controller that holds the voltage at the limit therefore sees
the current die away: `accepted` is the current at which the voltage has just come to the limit.

*The acid* in a discharged battery is thin, and freezes when it is a few degrees below nought. Ice
breaks plates and case.

The model is for planning by the hour. It knows no stratification, no sulphation and no ageing: for
an aged battery give the capacity that is left.

A battery can feed hundreds of amperes into a fault, gives off an explosive gas on charge, and
holds acid. Fuse it at its terminal, let its box breathe, and leave the work to those licensed for
it where local code says so.

Sources:
- Cold: IEEE 485, table 1 (from memory; 4.4 to 21.1 °C looked up in sizing worksheets that reprint
  it, as is the factor at -6.7 °C).
- Acid and voltage at rest by state of charge: a table of the trade, in wide use, of unknown origin
  (looked up in reprints).
- Freezing: US Army TM 5-1185 (maintenance of a road roller), table III, electrolyte freezing points
  (looked up in a reprint).
- Limit on charge falling by 5 mV a cell and °C: two makers' manuals (looked up).
- Resistance rising as it cools, on discharge and on charge: Copetti, Lorenzo and Chenlo, A general
  battery model for PV system simulation, Progress in Photovoltaics 1 (1993) 283 (from memory).
- Charge efficiency of 0.90, charge out by charge in: Sandia National Laboratories, SAND87-7023,
  worksheet 1, default value (looked up in a reprint).
- The size of the resistance, the limit of 2.40 V a cell, the most it takes, and that self-discharge
  doubles every 10 °C: common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

from edge.measure.curve import Curve

REFERENCE_CELSIUS = 25.0
"""Temperature of all ratings."""

RATED_HOURS = 20.0
"""Discharge time that the rated capacity is for."""

_COLD_FACTORS = Curve(
    [
        (-6.7, 1.59), (-3.9, 1.52), (-1.1, 1.43), (1.7, 1.35), (4.4, 1.30), (7.2, 1.25),
        (10.0, 1.19), (12.8, 1.15), (15.6, 1.11), (18.3, 1.08), (21.1, 1.04), (25.0, 1.00),
        (26.7, 0.98), (29.4, 0.96), (32.2, 0.94), (35.0, 0.93), (37.8, 0.91), (40.6, 0.89),
        (43.3, 0.88), (46.1, 0.87), (48.9, 0.86), (51.7, 0.85),
    ]
)  # fmt: skip
_COLDEST_OF_TABLE = -6.7
# Below the table the capacity goes on falling as it does at its cold end.
_SHARE_PER_DEGREE = 0.011
_LEAST_SHARE = 0.1

_MOST_BY_RATE = 1.1

# At every quarter of the charge, from empty to full.
_AT_REST = (11.89, 12.06, 12.24, 12.45, 12.65)
_ACID = Curve([(0.0, 1.120), (0.25, 1.155), (0.5, 1.190), (0.75, 1.225), (1.0, 1.265)])
_CELLS_OF_TABLE = 6
_FREEZING_FAHRENHEIT = Curve(
    [(1.0, 32.0), (1.1, 19.0), (1.15, 5.0), (1.2, -16.0), (1.25, -62.0), (1.28, -90.0)]
)

# Ohms a cell for one ampere-hour of capacity: 30 mohm for 12 V and 100 Ah, over hours of discharge.
_OHM_AH = 0.5
_THIN_ACID = 2.0
_COLD_OHMS, _COLD_CHARGE_OHMS = 0.007, 0.025
# Lost a cell at the end of a 20-hour discharge, so that it shows the 1.75 V at which that ends.
_END_V = 1.75
_END_LOSS_V = _AT_REST[0] / _CELLS_OF_TABLE - _OHM_AH / RATED_HOURS * (1 + _THIN_ACID) - _END_V
_KNEE = 0.04
# Drawn from at this share of the rated current or more, an empty battery shows that it is.
_TRICKLE = 0.1
_NEARLY_FULL = 0.01

_LIMIT_V = 2.40
_LIMIT_PER_DEGREE = -0.005
_LIMIT_RANGE = (-20.0, 50.0)
_MOST_CHARGE_HOURS = 5.0

_MONTH = 365.25 / 12 * 86400.0


@lru_cache(maxsize=1 << 17)  # the same hours of years are gone through for one size after another
def cold_factor(celsius: float) -> float:
    """Return by how much larger a battery must be at ``celsius`` than at 25 °C to give the same.

    Below 1 where it is warmer. Follows IEEE 485, table 1, between its lines straight; below -6.7 °C
    the capacity falls by 1.1 % of the rated one for every °C, down to a tenth (no source: as it
    does at the cold end of the table); above 51.7 °C the factor stays.
    """
    if celsius >= _COLDEST_OF_TABLE:
        return _COLD_FACTORS.held(celsius)
    share = 1 / _COLD_FACTORS.points[0][1] - _SHARE_PER_DEGREE * (_COLDEST_OF_TABLE - celsius)
    return 1 / max(share, _LEAST_SHARE)


def acid_density(soc: float) -> float:
    """Return the acid's density relative to water, at 25 °C, in a battery of 1.265 when full."""
    return _ACID.held(soc)


def freezing_celsius(soc: float) -> float:
    """Return the temperature in °C at which the acid of a battery charged to ``soc`` freezes.

    Sealed batteries hold stronger acid, and freeze later: it is the safe side for them.
    """
    return (_FREEZING_FAHRENHEIT.held(_ACID.held(soc)) - 32) / 1.8


@dataclass(frozen=True, slots=True)
class LeadAcid:
    """A battery of ``cells`` in series. States of charge are from 0 to 1, temperatures in °C.

    ``capacity_ah`` is the rated one, in Ah: 20 hours, 25 °C. ``charge_efficiency`` is charge got
    out by charge put in; ``self_discharge_month`` the share lost in a month at 25 °C.
    """

    capacity_ah: float
    cells: int = 6
    peukert: float = 1.15
    charge_efficiency: float = 0.90
    self_discharge_month: float = 0.03

    @property
    def rated_amperes(self) -> float:
        """The current that empties it in 20 hours."""
        return self.capacity_ah / RATED_HOURS

    def rate_share(self, amperes: float) -> float:
        """Return the share of the rated capacity that it gives at ``amperes`` and 25 °C."""
        slowest = self.rated_amperes * 1e-3
        share = math.pow(self.rated_amperes / max(amperes, slowest), self.peukert - 1)
        return min(share, _MOST_BY_RATE)

    def capacity_at(self, celsius: float, amperes: float) -> float:
        """Return the charge in Ah that it gives when full, at a steady ``amperes``."""
        return self.capacity_ah * self.rate_share(amperes) / cold_factor(celsius)

    def empty_at(self, celsius: float) -> float:
        """Return the state of charge at which it is empty: above 0 where it is cold."""
        return max(0.0, 1 - 1 / cold_factor(celsius))

    def open_circuit_v(self, soc: float) -> float:
        """Return the voltage after some hours at rest, in V."""
        quarters = 4 * _clamped(soc)
        at = min(int(quarters), 3)
        low, high = _AT_REST[at], _AT_REST[at + 1]
        return (low + (quarters - at) * (high - low)) * self.cells / _CELLS_OF_TABLE

    def resistance(self, soc: float, celsius: float) -> float:
        """Return the resistance in ohms, as a load of an hour or more sees it."""
        acid = 1 + _THIN_ACID * (1 - _clamped(soc)) ** 3
        cold = max(0.5, 1 - _COLD_OHMS * (celsius - REFERENCE_CELSIUS))
        return self.cells * _OHM_AH / self.capacity_ah * acid * cold

    def terminal_v(self, soc: float, amperes: float, celsius: float) -> float:
        """Return the voltage at the terminals, in V; ``amperes`` above nought charge it.

        On charge no limit is applied: the controller does that. See `charge_limit_v`.
        """
        at_rest = self.open_circuit_v(soc)
        if amperes >= 0:
            return at_rest + amperes * self._charge_resistance(soc, celsius)
        drawn = min(1.0, -amperes / self.rated_amperes / _TRICKLE)
        left = max(0.0, soc - self.empty_at(celsius))
        spent = self.cells * drawn * _END_LOSS_V * math.exp(-left / _KNEE)
        return max(0.0, at_rest + amperes * self.resistance(soc, celsius) - spent)

    def charge_limit_v(self, celsius: float) -> float:
        """Return the voltage that a controller holds, in V: 2.40 V a cell at 25 °C, 5 mV less a °C.

        Colder than -20 and warmer than 50 °C it stays. The battery's own data sheet goes first.
        """
        low, high = _LIMIT_RANGE
        above = min(max(celsius, low), high) - REFERENCE_CELSIUS
        return self.cells * (_LIMIT_V + _LIMIT_PER_DEGREE * above)

    def accepted(self, soc: float, celsius: float) -> float:
        """Return the most current in A that it takes at the limit of voltage.

        Never more than a fifth of its capacity in an hour, as makers commonly have it.
        """
        spare = self.charge_limit_v(celsius) - self.open_circuit_v(soc)
        by_voltage = spare / self._charge_resistance(soc, celsius)
        return max(0.0, min(by_voltage, self.capacity_ah / _MOST_CHARGE_HOURS))

    def step(self, soc: float, amperes: float, seconds: float, celsius: float) -> float:
        """Return the state of charge after ``seconds`` at ``amperes``; above nought they charge.

        What is beyond full goes into gas. It is not discharged below `empty_at`: who asks for more
        has a battery that is empty. Charging current is not limited here: see `accepted`.
        """
        rated = self.capacity_ah * 3600.0
        after = soc - self._self_discharge(soc, seconds, celsius)
        if amperes >= 0:
            return _clamped(after + amperes * seconds * self.charge_efficiency / rated)
        floor = min(after, self.empty_at(celsius))
        return _clamped(max(floor, after + amperes * seconds / rated / self.rate_share(-amperes)))

    def may_freeze(self, soc: float, celsius: float) -> bool:
        """Whether its acid is frozen, or about to, at ``celsius``."""
        return celsius <= freezing_celsius(soc)

    def _charge_resistance(self, soc: float, celsius: float) -> float:
        share = _clamped(soc)
        cold = max(0.5, 1 - _COLD_CHARGE_OHMS * (celsius - REFERENCE_CELSIUS))
        full = 1 + 1 / (1 + _NEARLY_FULL - share)
        return self.cells * _OHM_AH / self.capacity_ah * full * cold

    def _self_discharge(self, soc: float, seconds: float, celsius: float) -> float:
        months = seconds / _MONTH * math.pow(2, (celsius - REFERENCE_CELSIUS) / 10)
        return soc * (1 - math.pow(1 - self.self_discharge_month, months))


def _clamped(soc: float) -> float:
    return 0.0 if soc < 0.0 else min(soc, 1.0)
