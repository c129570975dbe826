"""The parts of a station file that are held against each other.

An entry, or a section, that is None has faults of its own already, or is not there: nothing is said
about it, nor about others on its account.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from edge.station.channel_base import ChannelBase, MeasuredChannel
from edge.station.energy import EnergySection
from edge.station.model import Bus, Station, StationInfo, Uplink
from edge.station.outputs import Output


@dataclass(frozen=True, slots=True)
class Parts:
    """What is known of a station."""

    station: StationInfo | None = None
    buses: Mapping[str, Bus | None] = field(default_factory=dict)
    channels: Mapping[str, ChannelBase | None] = field(default_factory=dict)
    outputs: Mapping[str, Output | None] = field(default_factory=dict)
    energy: EnergySection | None = None
    uplink: Uplink | None = None

    @classmethod
    def of(cls, station: Station) -> Parts:
        """Return the parts of a station without faults of their own."""
        return cls(
            station.station,
            station.buses,
            station.channels,
            station.outputs,
            station.energy,
            station.uplink,
        )

    @property
    def measured(self) -> dict[str, MeasuredChannel]:
        """The channels that are read from devices and have no faults of their own."""
        return {n: c for n, c in self.channels.items() if isinstance(c, MeasuredChannel)}
