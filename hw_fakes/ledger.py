"""The closing account of a bench run: what the world did, what the station kept, what arrived."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from edge.readings import Journalled
from edge.status import Quality, Reason
from edge.uplink.books import Books
from hw_fakes.energy_account import EnergyAccount

Truth = Callable[[str, int], float | None]
"""What the world had for a series at an instant (UTC ms), in its base unit, if it can tell."""

# The level's error (RMS) may be this share of the transmitter's range before a run has failed. On
# the bench a second is a fraction of a millisecond, so what the computer takes to do its work shows
# as an error while the pump draws the level down.
_LEVEL_TOLERANCE = 0.01

# The first poll tells no rate, and a device that talks unasked may not have spoken yet.
_BAD_AT_THE_START = 0.05


@dataclass(frozen=True, slots=True)
class Ledger:
    """The account; `complaints` says what does not add up."""

    made: int
    """Readings the daemon made."""
    journalled: int
    """Readings the journal holds."""
    arrived: int
    """Readings the receiver got, each counted once."""
    waiting: int
    """Readings that were still to be sent when it was over, as the station's hours have it."""
    unexplained: int
    """Readings made that neither arrived, nor wait, nor are stated to be gone."""
    duplicates: int
    """Readings that came again and were recognised."""
    gaps: int
    """Readings missing in the receiver's books."""
    unknown: int
    """Readings that arrived under a number that the journal does not have."""
    altered: int
    """Readings that arrived other than they were journalled."""
    malformed: int
    """Messages that the receiver could not read."""
    bad: int
    """Readings of bad status, but for those given up to spare the battery."""
    bad_limit: int
    """How many may be bad in a run without faults: a few at the start."""
    by_status: Mapping[str, int]
    """How many readings there are of every status, the most first."""
    pulses_world: int
    """Pulses the simulated meters gave."""
    pulses_station: int
    """Pulses in the last totals."""
    level_rms_m: float | None
    """Root mean square of the level's error."""
    level_worst_m: float | None
    """Largest error of the level."""
    level_limit_m: float | None
    """Largest root mean square allowed: a hundredth of the transmitter's range."""
    energy: EnergyAccount | None = None
    """How the station lived on its battery, if it has an energy section."""
    notes: Mapping[str, Any] = field(default_factory=dict)
    """How the run was made: days, speed, seed, broker, faults."""

    def complaints(self) -> list[str]:
        """Say in words what does not add up; empty when everything does."""
        checks = {
            f"{self.made} readings were made but {self.journalled} journalled": (
                self.made == self.journalled
            ),
            f"{self.journalled} readings were journalled but {self.arrived} arrived": (
                self.journalled == self.arrived + self.waiting
            ),
            f"{self.unexplained} readings are lost, and nobody says why": self.unexplained == 0,
            "no reading arrived": self.arrived > 0,
            f"{self.bad} readings are bad, more than {self.bad_limit}": self.bad <= self.bad_limit,
            "no reading of a level is good": self.level_limit_m is None
            or self.level_rms_m is not None,
            f"{self.gaps} readings are missing in between": self.gaps == 0,
            f"{self.unknown} readings arrived that the journal does not have": self.unknown == 0,
            f"{self.altered} readings arrived other than they were journalled": self.altered == 0,
            f"{self.malformed} messages could not be read": self.malformed == 0,
            f"the meters gave {self.pulses_world} pulses, the station counted"
            f" {self.pulses_station}": self.pulses_world == self.pulses_station,
            f"the level was off by {self.level_rms_m} m (RMS), more than {self.level_limit_m} m": (
                self.level_rms_m is None
                or self.level_limit_m is None
                or self.level_rms_m <= self.level_limit_m
            ),
        }
        lived = self.energy.complaints() if self.energy else []
        return [words for words, holds in checks.items() if not holds] + lived

    def as_json(self) -> dict[str, Any]:
        """Return the account as a flat object, with ``ok``."""
        apart = {"notes", "energy"}
        flat = {f.name: getattr(self, f.name) for f in fields(self) if f.name not in apart}
        lived = self.energy.as_json() if self.energy else {}
        return {**flat, **lived, **self.notes, "ok": not self.complaints()}

    def as_text(self) -> str:
        """Return the account for the eye."""
        rows = {
            "readings made": f"{self.made}",
            "journalled": f"{self.journalled}",
            "arrived": f"{self.arrived}",
            **({"waiting to be sent": f"{self.waiting}"} if self.waiting else {}),
            "duplicates recognised": f"{self.duplicates}",
            "not in the journal": f"{self.unknown}",
            "gaps": f"{self.gaps}",
            "lost without a reason": f"{self.unexplained}",
            "changed on the way": f"{self.altered}",
            "of bad status": f"{self.bad} (at most {self.bad_limit} to be expected)",
            "pulses, by the meters": f"{self.pulses_world}",
            "pulses, by the station": f"{self.pulses_station}",
            "level error, RMS": _metres(self.level_rms_m),
            "level error, worst": _metres(self.level_worst_m),
            **(self.energy.rows() if self.energy else {}),
            "by status": ", ".join(f"{n} {status}" for status, n in self.by_status.items()),
        } | {
            key.replace("_", " "): f"{value:g}" if isinstance(value, float) else f"{value}"
            for key, value in self.notes.items()
            if not isinstance(value, list)
        }
        width = max(map(len, rows))
        lines = [f"  {name:<{width}}  {value}" for name, value in rows.items()]
        moves = self.energy.move_lines() if self.energy else []
        lines += ["", *(f"  {move}" for move in moves), ""] if moves else []
        verdict = self.complaints() or ["everything adds up"]
        return "\n".join([*lines, *(f"  => {words}" for words in verdict)])


def draw_up(
    made: int,
    journal: Iterable[Journalled],
    books: Books,
    arrived: Mapping[int, Journalled],
    *,
    truth: Truth,
    levels: Mapping[str, float],
    pulses: tuple[int, int],
    malformed: int,
    faults: bool,
    notes: Mapping[str, Any],
    waiting: Collection[int] = (),
    energy: EnergyAccount | None = None,
) -> Ledger:
    """Draw up the account; in a run with ``faults`` any number of readings may be bad.

    ``arrived`` holds what the receiver got, by number; ``levels`` the range in metres of every
    level series; ``pulses`` those of the world and those of the station; ``waiting`` the numbers of
    readings that, by the station's hours, were not to be sent yet.
    """
    journalled = altered = bad = 0
    errors: list[float] = []
    numbers: set[int] = set()
    reasons: Counter[str] = Counter()
    for reading in journal:
        journalled += 1
        numbers.add(reading.seq)
        altered += reading.seq in arrived and arrived[reading.seq] != reading
        # A rate that one count cannot tell, a quotient while the pump rests: no fault of anything.
        # What is shed is given up by design.
        fault = reading.reason is not Reason.SHED and not reading.reason.passes_by_itself
        bad += reading.reason.quality is Quality.BAD and fault
        reasons[reading.reason.slug] += 1
        if reading.series in levels and reading.value is not None and reading.reason is Reason.OK:
            true = truth(reading.series, reading.utc_ms)
            if true is not None:
                errors.append(abs(reading.value - true))
    still_waiting = numbers.intersection(waiting) - arrived.keys()
    not_there = numbers - arrived.keys() - still_waiting
    return Ledger(
        made=made,
        journalled=journalled,
        arrived=books.distinct,
        waiting=len(still_waiting),
        unexplained=max(0, made - journalled) + len(not_there),
        duplicates=books.duplicates,
        gaps=sum(last - first + 1 for first, last in books.gaps()),
        altered=altered,
        unknown=len(arrived.keys() - numbers),
        malformed=malformed,
        bad=bad,
        bad_limit=journalled if faults else math.ceil(journalled * _BAD_AT_THE_START),
        by_status=dict(reasons.most_common()),
        pulses_world=pulses[0],
        pulses_station=pulses[1],
        level_rms_m=math.sqrt(sum(e * e for e in errors) / len(errors)) if errors else None,
        level_worst_m=max(errors, default=None),
        level_limit_m=max(levels.values()) * _LEVEL_TOLERANCE if levels else None,
        energy=energy,
        notes=notes,
    )


def _metres(value: float | None) -> str:
    return "no level channel" if value is None else f"{value:.6f} m"
