"""Density, gravity and submergence against metrology, oceanography and geodesy."""

import math

import gsw

from edge.measure import water
from tests.accuracy.check import Check, exact, printed, within

_TANAKA = "Tanaka and others 2001, Metrologia 38, table of densities"
_UNESCO = "UNESCO Technical Papers in Marine Science 44 (1983), equation of state, check values"
_TEOS = f"TEOS-10 (gsw {gsw.__version__})"
_WGS84 = "NGA.STND.0036 (2014), WGS 84, table 3.6"
_POTENTIAL = (
    "closed potential of the WGS 84 ellipsoid, differentiated numerically "
    "(Hofmann-Wellenhof and Moritz, Physical Geodesy, 2006, sections 2.7 and 2.8)"
)
_NIST = "NIST SP 811 (2008), appendix B.8"

_FOOT = 0.3048
_INCH = 0.0254
_PSI = 6894.757293168361


def checks() -> list[Check]:
    return [*_densities(), *_salt_water(), *_gravities(), *_heights(), *_air_pressure()]


def _densities() -> list[Check]:
    tables = [
        (_TANAKA, {4: "999.9749", 10: "999.7027", 20: "998.2067", 25: "997.0470", 30: "995.6488"}),
        (f"{_TANAKA} (from memory)", {0: "999.8428", 15: "999.1026", 40: "992.2152"}),
    ]
    rows = [
        printed(f"density of water at {t} degC, kg/m3", source, table[t], water.density(t))
        for source, table in tables
        for t in table
    ]
    # The two formulations differ by their uncertainties, 1 in 10^6 each.
    rows += [
        within(
            f"density of water at {t} degC, kg/m3",
            _TEOS,
            float(gsw.rho_t_exact(0.0, t, 0.0)),
            water.density(t),
            2e-6,
        )
        for t in (1, 12, 35)
    ]
    pounds_a_cubic_foot = water.density(140 / 9) * _FOOT**3 / 0.45359237
    source = "CRC Handbook, water at 60 degF (from memory)"
    return [*rows, printed("water at 60 degF, lb/ft3", source, "62.37", pounds_a_cubic_foot)]


def _salt_water() -> list[Check]:
    # The check values are on the temperature scale of 1968, their pure water is older than Tanaka.
    at_5, at_25 = 5 / 1.00024, 25 / 1.00024
    rows = [
        within(f"seawater, salinity {s}, {t} degC, kg/m3", _UNESCO, expected, computed, 2e-6)
        for s, t, expected, computed in (
            (0, 5, 999.96675, water.density(at_5)),
            (35, 5, 1027.67547, water.density(at_5, 35.0)),
            (0, 25, 997.04796, water.density(at_25)),
            (35, 25, 1023.34306, water.density(at_25, 35.0)),
        )
    ]
    rows += [
        within(
            f"what a salinity of 35 adds at {name} degC, kg/m3",
            _UNESCO,
            expected,
            water.density(t, 35.0) - water.density(t),
            1e-5 / expected,  # the difference of two numbers of five decimals
        )
        for name, t, expected in (
            (5, at_5, 1027.67547 - 999.96675),
            (25, at_25, 1023.34306 - 997.04796),
        )
    ]
    # A later equation of state, by absolute salinity: of seawater 35.16504/35 times the practical.
    rows += [
        within(
            f"brackish water, salinity {s}, {t} degC, kg/m3",
            _TEOS,
            float(gsw.rho_t_exact(s * 35.16504 / 35, t, 0.0)),
            water.density(t, s),
            1e-5,
        )
        for s, t in ((2.0, 10.0), (10.0, 15.0), (35.0, 20.0))
    ]
    return rows


def _gravities() -> list[Check]:
    rows = [
        printed(f"gravity at {latitude} deg, m/s2", source, value, water.gravity(latitude))
        for latitude, value, source in (
            (0, "9.7803253359", _WGS84),
            (45, "9.8061977694", "WGS 84, normal gravity at 45 deg (from memory)"),
            (90, "9.8321849379", _WGS84),
        )
    ]
    rows += [
        within(
            f"gravity at {latitude} deg, {height:g} m, m/s2",
            _POTENTIAL,
            _normal_gravity(latitude, height),
            water.gravity(latitude, height),
            # The expansion leaves out the square of the flattening times the height.
            1e-9 + 1e-11 * height,
        )
        for latitude, height in ((39.76, 0.0), (39.76, 1731.264), (-16.5, 4000.0), (68.0, 20000.0))
    ]
    loss = (water.gravity(45.0) - water.gravity(45.0, 1.0)) * 1e5
    source = "Hofmann-Wellenhof and Moritz, Physical Geodesy, section 3.3, free-air gradient"
    rows.append(printed("loss of gravity a metre up, mGal", source, "0.3086", loss))
    # An older ellipsoid, of 1980, on which the equator is 1.5e-7 heavier.
    older = float(gsw.grav(51.0, 0.0))
    rows.append(within("gravity at 51 deg, m/s2", _TEOS, older, water.gravity(51.0), 1e-6))
    return rows


def _heights() -> list[Check]:
    g = water.STANDARD_GRAVITY
    at_39_f, at_60_f = water.density(4.0), water.density(140 / 9)
    # NIST's conventional water at 39.2 °F weighs 999.972 kg/m³, 3e-6 less than Tanaka's.
    rows = [
        within(what, _NIST, expected, water.pressure(height, at_39_f, g), 5e-6)
        for what, expected, height in (
            ("a foot of water at 39.2 degF, Pa", 2988.98, _FOOT),
            ("an inch of water at 39.2 degF, Pa", 249.082, _INCH),
            ("a metre of water at 4 degC, Pa", 9806.38, 1.0),
        )
    ]
    inch = water.pressure(_INCH, at_60_f, g)
    psi = water.submergence(_PSI, at_39_f, g) / _FOOT
    atmosphere = water.submergence(101325.0, water.density(4.0), g)
    return [
        *rows,
        printed("an inch of water at 60 degF, Pa", _NIST, "248.84", inch),
        printed("feet of water at 39.2 degF in a psi", f"{_NIST}, a quotient", "2.3067", psi),
        printed(
            "feet of water at 68 degF in a psi",
            "common practice in water works, no source",
            "2.31",
            water.submergence(_PSI, water.density(20.0), g) / _FOOT,
        ),
        within(
            "metres of water at 4 degC in an atmosphere",
            f"{_NIST}, a quotient",
            101325 / 9806.38,
            atmosphere,
            5e-6,
        ),
    ]


def _air_pressure() -> list[Check]:
    density, g = water.density(4.0), water.STANDARD_GRAVITY
    inch_of_mercury = 3386.38

    def fallen(efficiency: float) -> float:
        reference = 84000.0
        depth = water.barometric_correction(
            20.0, reference + inch_of_mercury, reference, efficiency, density, g
        )
        return 20.0 - depth

    return [
        printed(
            "feet that an inch of mercury moves a rigid aquifer's well",
            f"{_NIST}, a quotient",
            "1.133",
            fallen(1.0) / _FOOT,
        ),
        exact(
            "barometric efficiency found again from the move",
            "Hiscock, Hydrogeology (2005), equation 5.6, after Jacob 1940",
            0.45,
            density * g * fallen(0.45) / inch_of_mercury,
        ),
    ]


def _normal_gravity(latitude: float, height: float) -> float:
    """Return the length of the gradient of the normal potential, from the four constants of WGS 84.

    Confocal coordinates u and beta; q(u) by its series, as its closed form cancels.
    """
    a, f, gm, spin = 6378137.0, 1 / 298.257223563, 3.986004418e14, 7.292115e-5
    b = a * (1 - f)
    focal = math.sqrt(a * a - b * b)

    def q(u: float) -> float:
        ratio = focal / u
        return 2 * sum(
            (-1) ** (n + 1) * n / ((2 * n + 1) * (2 * n + 3)) * ratio ** (2 * n + 1)
            for n in range(1, 12)
        )

    def potential(out: float, up: float) -> float:
        rest = out * out + up * up - focal * focal
        u = math.sqrt((rest + math.sqrt(rest * rest + 4 * focal * focal * up * up)) / 2)
        sine = up / u
        across = u * u + focal * focal
        return (
            gm / focal * math.atan(focal / u)
            + spin**2 * a * a / 2 * q(u) / q(b) * (sine * sine - 1 / 3)
            + spin**2 / 2 * across * (1 - sine * sine)
        )

    sine, cosine = math.sin(math.radians(latitude)), math.cos(math.radians(latitude))
    normal = a * a / math.hypot(a * cosine, b * sine)
    out = (normal + height) * cosine
    up = (normal * (b / a) ** 2 + height) * sine
    step = 100.0
    outwards = (potential(out + step, up) - potential(out - step, up)) / (2 * step)
    upwards = (potential(out, up + step) - potential(out, up - step)) / (2 * step)
    return math.hypot(outwards, upwards)
