"""The closing account of a fault scenario: what was journalled, what arrived, what was lost."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

Measure = float | int | str | list[Any]


@dataclass(slots=True)
class Ledger:
    """What a scenario did ``count`` times, and what came of it.

    ``journalled`` readings were on record, ``arrived`` of them were received, each counted once;
    ``lost`` are missing without a stated reason, ``doubled`` were taken for new though they had
    come before, ``pulses_lost`` is by how many pulses the totals are off.
    ``complaints`` says in words what else does not add up. ``measures`` is whatever the scenario
    has to tell besides.
    """

    scenario: str
    count: int
    journalled: int = 0
    arrived: int = 0
    lost: int = 0
    doubled: int = 0
    pulses_lost: int = 0
    complaints: list[str] = field(default_factory=list)
    measures: dict[str, Measure] = field(default_factory=dict)

    @property
    def ok(self) -> bool:
        """Whether nothing was lost, doubled or complained of."""
        return not (self.lost or self.doubled or self.pulses_lost or self.complaints)

    def as_json(self) -> dict[str, Any]:
        """Return the account as a flat object."""
        return {
            "scenario": self.scenario,
            "count": self.count,
            "ok": self.ok,
            "journalled": self.journalled,
            "arrived": self.arrived,
            "lost": self.lost,
            "doubled": self.doubled,
            "pulses_lost": self.pulses_lost,
            **self.measures,
            "complaints": self.complaints,
        }

    def as_text(self) -> str:
        """Return the account for the eye."""
        rows = {
            key.replace("_", " "): _shown(value)
            for key, value in self.as_json().items()
            if key not in {"scenario", "complaints", "ok"}
        }
        width = max(map(len, rows))
        lines = [self.scenario, *(f"  {name:<{width}}  {value}" for name, value in rows.items())]
        verdict = self.complaints or ["nothing lost" if self.ok else "NOT EVERYTHING ARRIVED ONCE"]
        return "\n".join([*lines, *(f"  => {words}" for words in verdict)])


def _shown(value: Measure) -> str:
    if isinstance(value, list):
        return ", ".join(map(_shown, value))
    return f"{value:.4g}" if isinstance(value, float) else str(value)
