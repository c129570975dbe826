"""How large a solar panel must be, by the method of IEEE 1562.

Theory of operation. In the month that asks for the most, what the panel gives in a day must be
what the loads take, and more: to make up for charge that does not come out of the battery again,
for wire and controller, and to charge the battery up again after days without sun while the loads
go on. How much more is the array-to-load ratio. The month that asks for the most is the one with
the most load for each hour of sun; "peak sun hours" are the kWh/m² of a day in the panel's plane,
as if the sun shone at 1000 W/m² for so long.

A "pwm" controller passes the panel's current on, so charge is reckoned: the panel's power is that
current at its own best voltage. An "mppt" controller passes its power on, so energy is reckoned, at
the battery's voltage while it is charged.

Sources: IEEE 1562 (array and battery sizing in stand-alone photovoltaic systems), from memory, also
for the ratios: 1.1 to 1.2 for loads that are not critical under a steady sun, 1.3 to 1.4 and more
for critical loads or a poor winter. Sandia National Laboratories, SAND87-7023, worksheets 1, 2 and
4 (1 and 2 looked up in a reprint), for the order of the steps and the efficiencies 0.98 of wire and
0.90 of battery; the 0.90 for the panel's heat and dirt from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from edge.energy.steps import Step

USUAL_RATIO, CRITICAL_RATIO = 1.2, 1.4
"""Array-to-load ratios: for a load that may fail now and then, and for one that may not."""


@dataclass(frozen=True, slots=True)
class Allowances:
    """What the panel must give beyond the load.

    ``ratio`` is the array-to-load ratio. The others are shares: ``losses`` of charge in wire and
    controller; ``charge_efficiency``, charge out of the battery by charge into it; ``derate``, what
    dirt and age leave of the rated current or power, and heat of the power.

    Raises ValueError for shares out of range.
    """

    ratio: float = CRITICAL_RATIO
    losses: float = 0.02
    charge_efficiency: float = 0.9
    derate: float = 0.9

    def __post_init__(self) -> None:
        for name, share in (
            ("what losses leave", 1 - self.losses),
            ("charge_efficiency", self.charge_efficiency),
            ("derate", self.derate),
        ):
            if not 0 < share <= 1:
                msg = f"{name}: found {share:g}, expected more than 0, and 1 at most"
                raise ValueError(msg)


@dataclass(frozen=True, slots=True)
class Array:
    """A panel's size and how it came about."""

    daily_ah: float
    """What the loads take in a day, in Ah."""
    corrected_ah: float
    """What must leave the panel so that they get it."""
    sun_hours: float
    ratio: float
    amperes: float
    """Current from the panel, or into the battery, at 1000 W/m²."""
    derate: float
    volts: float
    efficiency: float
    watts: float
    """Power to buy, at standard test conditions."""

    def steps(self) -> tuple[Step, ...]:
        """Return the calculation, in order."""
        return (
            Step("drawn in a day", self.daily_ah, "Ah"),
            Step("charge to put in, with losses", self.corrected_ah, "Ah"),
            Step("peak sun hours of the worst month", self.sun_hours, "h"),
            Step("array-to-load ratio", self.ratio),
            Step("current in full sun", self.amperes, "A"),
            Step("left of the panel's output", self.derate),
            Step("voltage it is reckoned at", self.volts, "V"),
            Step("efficiency of the conversion", self.efficiency),
            Step("power of the panel", self.watts, "W"),
        )


def worst_month(daily_ah: Sequence[float], sun_hours: Sequence[float]) -> int:
    """Return the index of the month with the most load for each hour of sun.

    Raises ValueError when the two are of different length, empty, or there are hours below nought.
    """
    if not daily_ah or len(daily_ah) != len(sun_hours) or min(sun_hours) < 0:
        msg = (
            f"found loads of {len(daily_ah)} and sun of {len(sun_hours)} months,"
            " expected as many of both, and no hours below 0"
        )
        raise ValueError(msg)
    return max(
        range(len(daily_ah)),
        key=lambda month: daily_ah[month] / sun_hours[month] if sun_hours[month] else float("inf"),
    )


def pwm_array(daily_ah: float, sun_hours: float, panel_v: float, allowances: Allowances) -> Array:
    """Return the panel for a controller that ties it to the battery: charge is reckoned.

    ``panel_v`` is its voltage at standard test conditions. Heat costs voltage, which such a panel
    has to spare: see `edge.energy.panel`. Raises ValueError where there is no sun.
    """
    return _sized(daily_ah, sun_hours, allowances, volts=panel_v, efficiency=1.0)


def mppt_array(
    daily_ah: float,
    sun_hours: float,
    charging_v: float,
    allowances: Allowances,
    *,
    efficiency: float = 0.95,
) -> Array:
    """Return the panel for a controller that converts: energy is reckoned.

    ``charging_v`` is the battery's voltage while it is charged; ``efficiency`` that of the
    conversion, above nought. Raises ValueError where there is no sun.
    """
    return _sized(daily_ah, sun_hours, allowances, volts=charging_v, efficiency=efficiency)


def array_to_load(watts: float, like: Array) -> float:
    """Return the array-to-load ratio of a panel of ``watts``, with all else as in ``like``."""
    return like.ratio * watts / like.watts if like.watts else float("inf")


def _sized(
    daily_ah: float, sun_hours: float, allowances: Allowances, *, volts: float, efficiency: float
) -> Array:
    if not sun_hours > 0:
        msg = f"found {sun_hours:g} peak sun hours, expected more than 0"
        raise ValueError(msg)
    corrected = daily_ah / (1 - allowances.losses) / allowances.charge_efficiency
    amperes = allowances.ratio * corrected / sun_hours
    return Array(
        daily_ah=daily_ah,
        corrected_ah=corrected,
        sun_hours=sun_hours,
        ratio=allowances.ratio,
        amperes=amperes,
        derate=allowances.derate,
        volts=volts,
        efficiency=efficiency,
        watts=amperes * volts / allowances.derate / efficiency,
    )
