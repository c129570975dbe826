"""The wiring of a current loop, and whether its supply suffices for full scale."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from edge.measure.loop_budget import LoopSupply
from edge.measure.wire import copper_resistance
from edge.station.quantity_types import Drop, Extent, Resistance, Supply, WireTemperature
from edge.station.section import Section, quantity
from edge.units import Quantity


class Circuit(Section):
    """Supply, wire and load of a loop, at their worst."""

    lowest_supply: Supply
    """The least the supply ever gives: a battery near its cutoff, or what a converter holds."""
    transmitter_least: Supply
    """The least the transmitter needs between its terminals, as its data sheet says."""
    load: Resistance | None = None
    """The module's input resistance; by default the channel's ``shunt``."""
    drop: Drop = quantity("0 V")
    """What else takes a fixed voltage: diodes, surge protectors."""
    wire_gauge: Annotated[int, Field(ge=10, le=30)] = 22
    """Size of the copper wire, AWG."""
    wire_length: Extent | None = None
    """Length of the cable, one way."""
    warmest_wire: WireTemperature = quantity("50 degC")
    """The warmest the wire gets; copper resists more when warm."""

    def wire_resistance(self) -> float:
        """Return the resistance of both conductors, in ohms."""
        if self.wire_length is None:
            return 0.0
        one = copper_resistance(self.wire_gauge, self.wire_length.value, self.warmest_wire.value)
        return 2 * one

    def supply(self, shunt: Quantity | None) -> LoopSupply:
        """Return what is in the loop; ``shunt`` is the channel's, for want of a ``load``."""
        load = self.load or shunt
        return LoopSupply(
            self.lowest_supply.value,
            self.transmitter_least.value,
            load.value if load else 0.0,
            self.wire_resistance(),
            further_volts=self.drop.value,
        )
