"""What a solar panel gives into a battery, from the light in its plane and the air's temperature.

Theory of operation. At standard test conditions, 1000 W/m² and cells at 25 °C, the panel gives its
rated power at a certain voltage, and so at a certain current. The current goes with the light. Warm
cells give less voltage, and the panel stands well above the air's temperature in the sun.

A controller of the kind "pwm" ties the panel to the battery. The panel then gives its current, no
more, as long as the battery's voltage is below the panel's best; above that the current falls, at
first slowly and then to nought, where the panel is open. Hot cells or weak light bring that point
down to the battery, and that is where a panel of too low a voltage fails.

A controller of the kind "mppt" leaves the panel at its best voltage and converts.

The curve near the best point is one exponential. Two conditions fix it: power is at its greatest at
the rated point, and the current into a short is 1/0.92 of the rated one; the open voltage then
comes out as 1.22 times the rated one. Both ratios are common practice for silicon, without a
source. Between the rated current and that into a short no more than the rated one is counted.

Sources:
- Cell temperature: Faiman, Assessing the outdoor operating temperature of photovoltaic modules,
  Progress in Photovoltaics 16 (2008) 307; factors of an open rack.
- Power: Dobos, PVWatts Version 5 Manual, NREL/TP-6A20-62641 (2014), the module model.
- The voltage falling with the logarithm of the light: the diode equation; its factor, 1.0 V for a
  panel of 36 cells, is common practice for silicon, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

STANDARD_IRRADIANCE = 1000.0
STANDARD_CELSIUS = 25.0

_FAIMAN_STILL, _FAIMAN_WIND = 25.0, 6.84

_RATED_BY_SHORT = 0.92
# Of the exponential, as a share of the rated voltage: see the theory of operation.
_KNEE = (1 - _RATED_BY_SHORT) / _RATED_BY_SHORT
_OPEN = 1 - _KNEE * math.log(1 - _RATED_BY_SHORT)
_WEAK_LIGHT = 0.055


@dataclass(frozen=True, slots=True)
class Panel:
    """A panel at standard test conditions: ``watts`` at ``volts``, where it gives the most.

    ``per_degree`` is the share of power gained for every °C of warming, below nought.
    """

    watts: float
    volts: float = 18.0
    per_degree: float = -0.004

    @property
    def amperes(self) -> float:
        """The current at the best voltage."""
        return self.watts / self.volts


def cell_celsius(irradiance: float, air_celsius: float, wind: float = 1.0) -> float:
    """Return the temperature of the cells in °C: T = T_air + G / (25 + 6.84 v).

    ``irradiance`` in the panel's plane in W/m²; ``wind`` at its height in m/s. A panel flat on a
    roof or a box gets warmer than that.
    """
    return air_celsius + irradiance / (_FAIMAN_STILL + _FAIMAN_WIND * wind)


def panel_power(panel: Panel, irradiance: float, air_celsius: float, wind: float = 1.0) -> float:
    """Return the most power in W that the panel gives, for an "mppt" controller to convert.

    ``irradiance`` is what reaches the cells in W/m²: in the panel's plane, less what dirt and snow
    keep away. At nought and below there is none.
    """
    if irradiance <= 0:
        return 0.0
    light = irradiance / STANDARD_IRRADIANCE
    return panel.watts * light * _warmth(panel, cell_celsius(irradiance, air_celsius, wind))


def panel_current(
    panel: Panel, irradiance: float, air_celsius: float, battery_v: float, wind: float = 1.0
) -> float:
    """Return the current in A that the panel drives into ``battery_v``, tied to it directly.

    Light as for `panel_power`. Losses in wire and controller are to be added to the voltage.
    """
    light = irradiance / STANDARD_IRRADIANCE
    if light <= 0:
        return 0.0
    warmth = _warmth(panel, cell_celsius(irradiance, air_celsius, wind))
    if warmth <= 0:
        return 0.0
    volts = battery_v / (panel.volts * warmth) - _WEAK_LIGHT * math.log(light)
    if volts >= _OPEN:
        return 0.0
    share = (1 - math.exp((volts - _OPEN) / _KNEE)) / _RATED_BY_SHORT
    return panel.amperes * light * min(1.0, share)


def _warmth(panel: Panel, celsius: float) -> float:
    return max(0.0, 1 + panel.per_degree * (celsius - STANDARD_CELSIUS))
