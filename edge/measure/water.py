"""From the pressure at a transducer to the level of the water in a well.

    pressure ──► submergence ──► depth to water ──► elevation
      less the     above the       below the          above the
      air's        transducer      measuring point    datum

Depths count downwards from the measuring point, a mark at the well head that hand measurements are
taken from; elevations count upwards from a datum. The method, with its terms and the errors to
reckon with, is that of USGS Techniques of Water-Resources Investigations 8-A3 (Freeman and others,
2004).

Water is taken as of one density over the whole height, that at the pressure of the air. Real water
is squeezed by its own weight: at 100 m of submergence the height computed is some 0.02 % too large.
"""

from __future__ import annotations

import math

from edge.status import Reason

STANDARD_GRAVITY = 9.80665
"""m/s², by definition (3rd General Conference on Weights and Measures, 1901)."""

COLDEST = 0.0
WARMEST = 40.0
MOST_SALINE = 42.0

# Tanaka and others (2001), equation 1: temperatures on ITS-90.
_OF_GREATEST_DENSITY = 3.983035
_A2 = 301.797
_A3 = 522528.9
_A4 = 69.34881
_GREATEST_DENSITY = 999.97495

# The equation of state of seawater was fitted on the temperature scale of 1968 (P. M. Saunders,
# "The International Temperature Scale of 1990", WOCE Newsletter 10, 1990).
_IPTS_68_OF_ITS_90 = 1.00024

# The WGS 84 ellipsoid and its field, NGA.STND.0036 (2014), tables 3.1, 3.5 and 3.6.
_SEMI_MAJOR = 6378137.0
_FLATTENING = 1 / 298.257223563
_ECCENTRICITY_SQUARED = _FLATTENING * (2 - _FLATTENING)
_EQUATOR = 9.7803253359
_SOMIGLIANA = 1.931852652458e-3
_CENTRIFUGAL = 3.449786506841e-3


def density(temperature: float, salinity: float = 0.0) -> float:
    """Return the density of water under one atmosphere, in kg/m³.

    ``temperature`` in °C, ``salinity`` on the practical scale (very nearly g/kg). Pure water:
    Tanaka and others, "Recommended table for the density of water between 0 °C and 40 °C",
    Metrologia 38 (2001), equation 1, recommended by the CIPM; uncertain by less than 1e-6 of it.
    Salt: what the international equation of state of seawater, EOS-80, adds to pure water (UNESCO
    Technical Papers in Marine Science 44, 1983, equation 13), fitted to sea salt; where the salt
    is another, take the salinity that gives the density found.

    Valid from 0 to 40 °C: beyond, the density stays what it is at the nearer end, and
    `judge_temperature` says so. Raises ValueError for a salinity outside 0 to 42.
    """
    if not 0 <= salinity <= MOST_SALINE:
        msg = f"a salinity of {salinity}, outside 0 to {MOST_SALINE:g}"
        raise ValueError(msg)
    t = min(max(temperature, COLDEST), WARMEST)
    lacking = (t - _OF_GREATEST_DENSITY) ** 2 * (t + _A2) / (_A3 * (t + _A4))
    pure = _GREATEST_DENSITY * (1 - lacking)
    return pure + (_of_salt(t * _IPTS_68_OF_ITS_90, salinity) if salinity else 0.0)


def _of_salt(t: float, s: float) -> float:
    linear = 8.24493e-1 + t * (-4.0899e-3 + t * (7.6438e-5 + t * (-8.2467e-7 + t * 5.3875e-9)))
    three_halves = -5.72466e-3 + t * (1.0227e-4 - t * 1.6546e-6)
    return s * (linear + math.sqrt(s) * three_halves + s * 4.8314e-4)


def judge_temperature(temperature: float) -> Reason:
    """Say whether `density` holds at a temperature in °C."""
    if temperature < COLDEST:
        return Reason.WATER_TOO_COLD
    return Reason.WATER_TOO_WARM if temperature > WARMEST else Reason.OK


def gravity(latitude: float, elevation: float = 0.0) -> float:
    """Return normal gravity in m/s², for a ``latitude`` in degrees and an ``elevation`` in metres.

    On the ellipsoid of WGS 84 the closed formula of Somigliana, above it the expansion to the
    second order in height (NIMA TR8350.2, 3rd edition, 2000, equations 4-1 and 4-3). The height is
    meant above the ellipsoid; one above sea level makes a difference of at most 4e-5 of it. The
    gravity of a real place differs from the normal by less than 1e-4. Good from the deepest mines
    to 20 km. Raises ValueError for a latitude beyond the poles.
    """
    if not -90 <= latitude <= 90:
        msg = f"a latitude of {latitude} degrees"
        raise ValueError(msg)
    sine_squared = math.sin(math.radians(latitude)) ** 2
    on_ellipsoid = (
        _EQUATOR
        * (1 + _SOMIGLIANA * sine_squared)
        / math.sqrt(1 - _ECCENTRICITY_SQUARED * sine_squared)
    )
    height = elevation / _SEMI_MAJOR
    first_order = 1 + _FLATTENING + _CENTRIFUGAL - 2 * _FLATTENING * sine_squared
    return on_ellipsoid * (1 - 2 * first_order * height + 3 * height**2)


def gauge_pressure(absolute: float, barometer: float) -> float:
    """Return the pressure above that of the air, in Pa, from two absolute pressures in Pa."""
    return absolute - barometer


def submergence(gauge_pressure: float, density: float, gravity: float) -> float:
    """Return the height of water above a transducer in m: pressure / (density · gravity).

    ``gauge_pressure`` in Pa, ``density`` in kg/m³, ``gravity`` in m/s². Source: TWRI 8-A3, basic
    principles. Negative where the pressure is less than the air's: the transducer has fallen dry,
    or its zero has moved.
    """
    return gauge_pressure / (density * gravity)


def pressure(submergence: float, density: float, gravity: float) -> float:
    """Return the gauge pressure in Pa under so many metres of water: the inverse of `submergence`.

    ``density`` in kg/m³, ``gravity`` in m/s².
    """
    return submergence * density * gravity


def depth_to_water(transducer_depth: float, submergence: float) -> float:
    """Return how far the water stands below the measuring point, in m.

    ``transducer_depth`` counts from the measuring point too. Negative where the water stands above
    it, as in a flowing well that is shut.
    """
    return transducer_depth - submergence


def elevation(measuring_point: float, depth_to_water: float) -> float:
    """Return the water level above the datum, in m; so is the ``measuring_point`` given."""
    return measuring_point - depth_to_water


def barometric_correction(  # noqa: PLR0917 - in the order of the formula
    depth_to_water: float,
    barometer: float,
    reference: float,
    efficiency: float,
    density: float,
    gravity: float,
) -> float:
    """Return the depth to water as it would stand under the ``reference`` air pressure, in m.

    Rising air pressure presses on the water in an open well in full, but on that in a confined
    aquifer only in part, for the rock bears the rest: the water in the well falls, and the depth
    grows, by ``efficiency`` (0 to 1) of the height of water that weighs as much as the rise. That
    much is taken off again:

        depth - efficiency · (barometer - reference) / (density · gravity)

    Pressures in Pa, lengths in m, density in kg/m³, gravity in m/s². Source: C. E. Jacob, "On the
    flow of water in an elastic artesian aquifer", Transactions of the American Geophysical Union 21
    (1940). It takes the aquifer to answer at once; in a deep unconfined one it does not.
    """
    return depth_to_water - efficiency * submergence(barometer - reference, density, gravity)


def drawdown(depth_to_water: float, rest_depth: float) -> float:
    """Return how far the water stands below its level at rest, in m, from two depths in m."""
    return depth_to_water - rest_depth


def specific_capacity(flow: float, drawdown: float) -> float:
    """Return what a well yields for every metre it is drawn down, in m²/s.

    ``flow`` in m³/s, ``drawdown`` in m. Source: USGS Water-Supply Paper 2220 (Heath, 1983). Raises
    ValueError where there is no drawdown to divide by.
    """
    if drawdown <= 0:
        msg = f"a drawdown of {drawdown} m"
        raise ValueError(msg)
    return flow / drawdown
