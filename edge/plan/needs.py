"""What a station file must say before it can be planned for."""

from __future__ import annotations

from collections.abc import Iterator

from edge.plan.study import Sections
from edge.plan.sun import NEAREST_TO_POLE
from edge.station.energy import EnergySection
from edge.station.faults import Fault, dotted
from edge.station.model import Station
from edge.units import Quantity


class PlanError(Exception):
    """A station cannot be planned for; ``faults`` hold every reason."""

    def __init__(self, faults: list[Fault]) -> None:
        super().__init__("\n".join(f"{dotted(f.key)}: {f.found}, {f.expected}" for f in faults))
        self.faults = faults


def sections_of(station: Station) -> Sections:
    """Return what the plan needs; raises PlanError with everything that is missing, by key."""
    faults = list(_missing(station))
    if faults:
        raise PlanError(faults)
    energy = station.energy
    assert energy is not None  # noqa: S101 - as all that follow: it would be a fault
    battery, panel, controller = energy.battery, energy.panel, energy.controller
    assert battery is not None  # noqa: S101
    assert panel is not None  # noqa: S101
    assert controller is not None  # noqa: S101
    return Sections(energy, battery, panel, controller)


def _missing(station: Station) -> Iterator[Fault]:
    latitude = station.station.latitude
    if latitude is None:
        yield Fault(("station", "latitude"), "none", 'degrees, north positive, such as "39.7"')
    elif abs(latitude) > NEAREST_TO_POLE:
        yield Fault(
            ("station", "latitude"),
            f"{latitude:g}",
            f"{NEAREST_TO_POLE:g} at most, north or south: at a pole no azimuth means anything",
        )
    energy = station.energy or EnergySection.model_construct()
    if energy.battery is None:
        yield Fault(("energy", "battery"), "none", 'at least its capacity, such as "70 Ah"')
    else:
        yield from _nothing_left("battery", "ageing", energy.battery.ageing)
        yield from _nothing_left("battery", "self_discharge", energy.battery.self_discharge)
    if energy.panel is None:
        yield Fault(("energy", "panel"), "none", "at least its power and tilt")
    else:
        yield from _nothing_left("panel", "soiling", energy.panel.soiling)
        if energy.panel.power.value <= 0:
            yield Fault(("energy", "panel", "power"), f'"{energy.panel.power}"', "more")
    if energy.controller is None:
        yield Fault(("energy", "controller"), "none", 'at least its kind: "pwm" or "mppt"')
    if not energy.loads:
        yield Fault(("energy", "loads"), "none", "what draws on the battery, each with its power")
    if energy.climate is None:
        yield Fault(
            ("energy", "climate"),
            "none",
            "clearness and temperature of twelve months, or typical_year",
        )


def _nothing_left(section: str, key: str, lost: Quantity) -> Iterator[Fault]:
    if lost.value >= 1:
        yield Fault(("energy", section, key), f'"{lost}"', "less: nothing would be left")
