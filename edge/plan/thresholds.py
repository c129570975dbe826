"""At which state of charge each stage is entered, in the cold and in the heat."""

from __future__ import annotations

from dataclasses import dataclass

from edge.energy.battery import LeadAcid
from edge.energy.stages import Rules

_HALVINGS = 30


@dataclass(frozen=True, slots=True)
class Threshold:
    """Where a stage is entered at one temperature: V at the terminals, charge as a share."""

    stage: str
    celsius: float
    volts: float
    charge: float


def thresholds(
    rules: Rules, battery: LeadAcid, watts: float, celsius: tuple[float, ...]
) -> list[list[Threshold]]:
    """Return, a row a stage, where it is entered at each temperature while ``watts`` are drawn."""
    return [
        [_entered(rules, battery, watts, place, at) for at in celsius]
        for place in range(1, len(rules.ladder))
    ]


def _entered(
    rules: Rules, battery: LeadAcid, watts: float, place: int, celsius: float
) -> Threshold:
    stage = rules.ladder[place]
    volts = stage.cutoff + rules.volts_per_degree * (celsius - rules.reference)
    low, high = 0.0, 1.0
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if battery.terminal_v(middle, -watts / volts, celsius) < volts:
            low = middle
        else:
            high = middle
    return Threshold(stage.name, celsius, volts, high)
