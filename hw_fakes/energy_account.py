"""How a station lived on its battery in a run: for the ledger."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from edge.energy.stages import NORMAL
from hw_fakes.promise import Hour
from hw_fakes.trace import Trace

# A computer that is too slow for the bench's speed leaves out slots. With fewer readings than this
# share of what is promised a run has shown nothing.
_LEAST_COMPLETE = 0.9


@dataclass(frozen=True, slots=True)
class EnergyAccount:
    """The account; `complaints` says what does not add up."""

    weather: str
    hours_by_stage: Mapping[str, float]
    """Halted and without power are stages of their own here."""
    moves: Sequence[Mapping[str, str]]
    """Every move from stage to stage: ``time``, ``from``, ``to``, ``why``."""
    given_up: int
    """Readings of status ``shed``."""
    hours: Sequence[Hour]
    halts: int
    power_cuts: int
    trace: Trace

    @property
    def last_stage(self) -> str:
        """The stage in which it ended."""
        return self.trace.steps[-1].stage

    @property
    def lowest_v(self) -> float:
        """The lowest voltage at the terminals."""
        return min(point.volts for point in self.trace.points)

    @property
    def lowest_charge(self) -> float:
        """The lowest charge, from 0 to 1."""
        return min(point.charge for point in self.trace.points)

    @property
    def promised(self) -> float:
        """Readings of measured channels that the stages promised."""
        return sum(hour.promised for hour in self.hours)

    @property
    def spared(self) -> float:
        """Readings fewer than in normal that the stages promised."""
        return sum(hour.usual for hour in self.hours) - self.promised

    @property
    def completeness(self) -> float:
        """Readings with a value, as a share of what was promised."""
        kept = sum(hour.journalled for hour in self.hours)
        return kept / self.promised if self.promised else 1.0

    @property
    def recovered(self) -> bool:
        """Whether the station is back in normal."""
        return self.trace.steps[-1].up and self.last_stage == NORMAL

    def complaints(self) -> list[str]:
        """Say in words what does not add up; empty when everything does."""
        if self.completeness >= _LEAST_COMPLETE:
            return []
        found = f"{self.completeness:.0%} of the readings are there that the stages promised"
        return [f"{found}: is the computer too slow for this speed? Try a lower --speed"]

    def as_json(self) -> dict[str, Any]:
        """Return the account as a flat object."""
        return {
            "weather": self.weather,
            "hours_by_stage": {name: round(h, 3) for name, h in self.hours_by_stage.items()},
            "moves": list(self.moves),
            "lowest_v": round(self.lowest_v, 3),
            "lowest_charge": round(self.lowest_charge, 4),
            "last_charge": round(self.trace.points[-1].charge, 4),
            "given_up": self.given_up,
            "spared": round(self.spared),
            "promised": round(self.promised),
            "completeness": round(self.completeness, 4),
            "halts": self.halts,
            "power_cuts": self.power_cuts,
            "last_stage": self.last_stage,
            "recovered": self.recovered,
            "completeness_by_hour": [
                {
                    "hour": index,
                    "promised": round(hour.promised, 2),
                    "journalled": hour.journalled,
                    "arrived": hour.arrived,
                }
                for index, hour in enumerate(self.hours)
            ],
        }

    def rows(self) -> dict[str, str]:
        """Return the account as rows for the eye."""
        stages = {f"hours: {name}": f"{h:.1f}" for name, h in self.hours_by_stage.items() if h}
        return {
            **stages,
            "lowest voltage": f"{self.lowest_v:.2f} V",
            "lowest charge": f"{self.lowest_charge:.0%}",
            "charge at the end": f"{self.trace.points[-1].charge:.0%}",
            "given up by design": f"{self.given_up} (status shed)",
            "spared by the stages": f"{self.spared:.0f} readings fewer than in normal",
            "left to be taken": f"{self.promised:.0f}, of which {self.completeness:.1%} are there",
            "halted, cut off": f"{self.halts} times, {self.power_cuts} times",
            "recovered": "yes, back in normal" if self.recovered else f"no: {self.last_stage}",
        }

    def move_lines(self) -> list[str]:
        """Return a line for every move."""
        return [f"{m['time']}  {m['from']} -> {m['to']}: {m['why']}" for m in self.moves]
