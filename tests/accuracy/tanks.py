"""Volumes of tanks against worked examples, tables, a library, and numerical integration."""

import math

import fluids
import scipy
from fluids.geometry import TANK
from scipy.integrate import quad

from edge.measure.tanks import Cone, Dish, HorizontalCylinder, Sphere, Tank, UprightCylinder
from tests.accuracy.check import Check, exact, printed

_INCH = 0.0254
_GALLON = 231 * _INCH**3

_JONES = "D. Jones, Calculating Tank Volume, examples, which the fluids documentation repeats"
_CHOW = "Chow, Open-Channel Hydraulics (1959), appendix A, circular sections (from memory)"
_FLUIDS = f"fluids {fluids.__version__}, geometry.TANK"
_QUAD = f"numerical integration of the surface (scipy {scipy.__version__})"


def checks() -> list[Check]:
    return [*_worked_examples(), *_tables(), *_antiquity(), *_library(), *_integrals()]


def _worked_examples() -> list[Check]:
    lying = HorizontalCylinder(108 * _INCH, 156 * _INCH, 42 * _INCH)
    pointed = UprightCylinder(132 * _INCH, 100 * _INCH, Cone(33 * _INCH))
    dished = UprightCylinder(132 * _INCH, 100 * _INCH, Dish(33 * _INCH))
    return [
        printed(f"{what}, {depth} in deep, gal", _JONES, gallons, _gallons(tank, depth))
        for what, tank, depth, gallons in (
            ("lying, ellipsoidal ends", lying, 36, "2380.96"),
            ("standing on a cone", pointed, 24, "250.67"),
            ("standing on a dish", dished, 24, "783.36"),
        )
    ]


def _gallons(tank: Tank, inches: float) -> float:
    return tank.volume(inches * _INCH) / _GALLON


def _tables() -> list[Check]:
    unit = HorizontalCylinder(1.0, 1.0)
    areas = {0.05: "0.0147", 0.1: "0.0409", 0.5: "0.3927", 0.6: "0.4920", 0.8: "0.6736"}
    return [
        printed(f"circle filled to {depth:g} of its diameter", _CHOW, area, unit.volume(depth))
        for depth, area in areas.items()
    ]


def _antiquity() -> list[Check]:
    around = UprightCylinder(2.6, 2.6).capacity
    cone = UprightCylinder(2.6, 1.0, Cone(2.6)).volume(2.6)
    return [
        exact(
            "a sphere in the cylinder around it",
            "Archimedes, On the Sphere and Cylinder I, 34, corollary",
            2 / 3,
            Sphere(2.6).capacity / around,
        ),
        exact("a cone in the cylinder around it", "Euclid, Elements XII, 10", 1 / 3, cone / around),
    ]


def _library() -> list[Check]:
    ends = {"sideA": "ellipsoidal", "sideB": "ellipsoidal"}
    lying = HorizontalCylinder(1.9, 4.8, 1.9 / 4)
    capsule = HorizontalCylinder(1.2, 2.5, 0.6)
    pointed = UprightCylinder(2.4, 3.0, Cone(0.7))
    dished = UprightCylinder(2.4, 3.0, Dish(0.6))
    pairs = (
        ("lying, 2:1 ends", lying, TANK(D=1.9, L=4.8, horizontal=True, **ends)),
        (
            "lying, hemispheres",
            capsule,
            TANK(D=1.2, L=2.5, horizontal=True, sideA_a=0.6, sideB_a=0.6, **ends),
        ),
        (
            "standing on a cone",
            pointed,
            TANK(D=2.4, L=3.0, horizontal=False, sideA="conical", sideA_a=0.7),
        ),
        (
            "standing on a dish",
            dished,
            TANK(D=2.4, L=3.0, horizontal=False, sideA="ellipsoidal", sideA_a=0.6),
        ),
    )
    filled = [
        exact(
            f"{what}, {share:.0%} of the height, m3",
            _FLUIDS,
            float(other.V_from_h(share * tank.height)),
            tank.volume(share * tank.height),
        )
        for what, tank, other in pairs
        for share in (0.15, 0.85)
    ]
    full = [
        exact(f"{what}, full, m3", _FLUIDS, float(other.V_total), tank.capacity)
        for what, tank, other in pairs
    ]
    return filled + full


def _integrals() -> list[Check]:
    def lying(height: float, radius: float = 0.95, length: float = 4.8, end: float = 0.3) -> float:
        half_width_squared = radius**2 - (height - radius) ** 2
        return 2 * length * math.sqrt(half_width_squared) + (
            # The two ends together show an ellipse, as narrow as the half width times their axes.
            math.pi * end / radius * half_width_squared
        )

    def ball(height: float, radius: float = 1.3) -> float:
        return math.pi * (radius**2 - (height - radius) ** 2)

    def dished(height: float, radius: float = 1.2, bottom: float = 0.6) -> float:
        within = min(height, bottom)
        return math.pi * radius**2 * (1 - (1 - within / bottom) ** 2)

    def pointed(height: float, radius: float = 1.2, bottom: float = 0.7) -> float:
        return math.pi * (radius * min(height, bottom) / bottom) ** 2

    return [
        exact(
            f"{what} to {depth} m, m3", _QUAD, _integral(surface, depth, knee), tank.volume(depth)
        )
        for what, surface, tank, depth, knee in (
            ("lying, shallow ends", lying, HorizontalCylinder(1.9, 4.8, 0.3), 0.02, None),
            ("lying, shallow ends", lying, HorizontalCylinder(1.9, 4.8, 0.3), 1.4, None),
            ("sphere", ball, Sphere(2.6), 0.4, None),
            ("sphere", ball, Sphere(2.6), 2.5, None),
            ("standing on a dish", dished, UprightCylinder(2.4, 3.0, Dish(0.6)), 0.25, None),
            ("standing on a dish", dished, UprightCylinder(2.4, 3.0, Dish(0.6)), 2.0, 0.6),
            ("standing on a cone", pointed, UprightCylinder(2.4, 3.0, Cone(0.7)), 2.0, 0.7),
        )
    ]


def _integral(surface, depth: float, knee: float | None) -> float:
    points = [knee] if knee else None
    return float(quad(surface, 0.0, depth, points=points, epsabs=0.0, epsrel=1e-11)[0])
