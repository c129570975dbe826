"""Tanks, weirs and flumes, as a station file describes them."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from edge.measure.curve import Curve
from edge.measure.flumes import ParshallFlume
from edge.measure.primary import Primary
from edge.measure.tanks import (
    Cone,
    Dish,
    HorizontalCylinder,
    Rectangular,
    Sphere,
    StrappingTable,
    Tank,
    UprightCylinder,
)
from edge.measure.weirs import Cipolletti, RectangularContracted, RectangularSuppressed, VNotch
from edge.station.plain_types import Couple
from edge.station.quantity_types import Angle, Extent, Length, Volume
from edge.station.section import Section

# ------------------------------------------------------------------------------------------- tanks


class UprightCylinderShape(Section):
    """A cylinder that stands on its end."""

    shape: Literal["upright-cylinder"]
    diameter: Extent
    """Inside diameter."""
    side_height: Extent
    """Height of the cylindrical part."""
    bottom: Literal["flat", "cone", "dished"] = "flat"
    """A cone with its tip down, or half an ellipsoid."""
    bottom_depth: Extent | None = None
    """Depth of the bottom below the cylindrical part, unless it is flat."""

    def tank(self) -> Tank:
        """Return the tank's geometry. Raises ValueError where there is none such."""
        bottom = None
        if self.bottom_depth is not None:
            bottom = (Cone if self.bottom == "cone" else Dish)(self.bottom_depth.value)
        return UprightCylinder(self.diameter.value, self.side_height.value, bottom)


class HorizontalCylinderShape(Section):
    """A cylinder that lies on its side."""

    shape: Literal["horizontal-cylinder"]
    diameter: Extent
    """Inside diameter."""
    length: Extent
    """Length of the cylindrical part, without the ends."""
    ends: Literal["flat", "dished", "hemispherical"] = "flat"
    """Dished ends are half ellipsoids."""
    end_depth: Extent | None = None
    """How far a dished end stands out; by default a quarter of the diameter."""

    def tank(self) -> Tank:
        """Return the tank's geometry. Raises ValueError where there is none such."""
        diameter = self.diameter.value
        depth = {"flat": 0.0, "dished": diameter / 4, "hemispherical": diameter / 2}[self.ends]
        if self.end_depth is not None:
            depth = self.end_depth.value
        return HorizontalCylinder(diameter, self.length.value, depth)


class RectangularShape(Section):
    """A box."""

    shape: Literal["rectangular"]
    length: Extent
    """Inside length."""
    width: Extent
    """Inside width."""
    height: Extent
    """Inside height."""

    def tank(self) -> Tank:
        """Return the tank's geometry."""
        return Rectangular(self.length.value, self.width.value, self.height.value)


class SphereShape(Section):
    """A ball."""

    shape: Literal["sphere"]
    diameter: Extent
    """Inside diameter."""

    def tank(self) -> Tank:
        """Return the tank's geometry."""
        return Sphere(self.diameter.value)


class StrappingShape(Section):
    """A tank of any shape, of which a table was made."""

    shape: Literal["strapping-table"]
    table: Annotated[list[Couple[Length, Volume]], Field(min_length=2)]
    """Depths and what the tank holds at each, the least first."""

    def tank(self) -> Tank:
        """Return the table. Raises ValueError unless it increases."""
        return StrappingTable(Curve([(depth.value, held.value) for depth, held in self.table]))


TankShape = Annotated[
    UprightCylinderShape
    | HorizontalCylinderShape
    | RectangularShape
    | SphereShape
    | StrappingShape,
    Field(discriminator="shape"),
]

# -------------------------------------------------------------------------------- weirs and flumes


class VNotchWeir(Section):
    """A thin-plate weir with a V-shaped notch, fully contracted."""

    type: Literal["v-notch"]
    angle: Angle
    """Angle of the notch, from 20 to 100 degrees."""

    def primary(self) -> Primary:
        """Return the weir's formula. Raises ValueError for an angle it does not hold for."""
        return VNotch(self.angle.value)


class SuppressedWeir(Section):
    """A thin-plate weir as wide as its channel."""

    type: Literal["rectangular-suppressed"]
    width: Extent
    """Length of the crest."""
    crest_height: Extent
    """Height of the crest above the floor of the approach."""

    def primary(self) -> Primary:
        """Return the weir's formula."""
        return RectangularSuppressed(self.width.value, self.crest_height.value)


class ContractedWeir(Section):
    """A thin-plate weir with a rectangular notch narrower than its channel."""

    type: Literal["rectangular-contracted"]
    width: Extent
    """Length of the crest."""
    crest_height: Extent
    """Height of the crest above the floor of the approach."""
    approach_width: Extent
    """Width of the approach channel."""

    def primary(self) -> Primary:
        """Return the weir's formula. Raises ValueError for a notch wider than the channel."""
        return RectangularContracted(
            self.width.value, self.crest_height.value, self.approach_width.value
        )


class CipollettiWeir(Section):
    """A thin-plate weir with a trapezoidal notch, its sides one to four."""

    type: Literal["cipolletti"]
    width: Extent
    """Length of the crest."""

    def primary(self) -> Primary:
        """Return the weir's formula."""
        return Cipolletti(self.width.value)


class Parshall(Section):
    """A Parshall flume of standard size, in free flow."""

    type: Literal["parshall"]
    throat: Extent
    """Width of the throat: 1, 2, 3, 6 or 9 in, or 1 to 8 ft."""

    def primary(self) -> Primary:
        """Return the flume's formula. Raises ValueError for a size that is not standard."""
        return ParshallFlume(self.throat.value)


Structure = Annotated[
    VNotchWeir | SuppressedWeir | ContractedWeir | CipollettiWeir | Parshall,
    Field(discriminator="type"),
]
