"""A pumped well: when the pump runs, what it yields, and how the water answers.

Theory of operation. The pump makes a few runs a day, jittered by the seed, each at a constant flow;
so the volume pumped is a sum of products, exact at any instant. The aquifer answers by Theis: a run
that began a time ``t`` ago lowers the water by ``s = Q / (4 pi T) * W(r**2 S / (4 T t))``, and its
end lifts it in the same way (superposition). Source: USGS Water-Supply Paper 1536-E.

A run that is long over hardly depends any more on when in its day it was. The runs of such a day
are taken together: ``s = V / (4 pi T a) * (1 + var / a**2)``, with ``a`` the time since the centre
of the day's pumping and ``var`` its variance in time - the first terms of the series of the
superposed logarithms in ``1/a``. At the age where this sets in, it errs by about 0.1 mm. So
the cost of an instant grows by a division for every day, and nothing is ever forgotten.

Times are seconds since 1970-01-01 00:00 UTC.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from random import Random
from typing import Self

from hw_fakes.well_function import well_function

DAY_S = 86_400.0

_DAYS_OF_HISTORY = 7
_DAYS_IN_DETAIL = 3
# The pump rests at first, so that whoever counts its pulses can begin before they do.
REST_AT_START_S = 1_200.0


@dataclass(frozen=True, slots=True)
class Aquifer:
    """``transmissivity`` in m²/s, ``storativity`` without unit, ``radius`` of the well in metres.

    By default a fractured rock of modest yield. The radius is the effective one, which fractures
    make larger than the bore. It also sets the pace at which the water falls when the pump starts,
    here a few centimetres a second: about that of a bore that is being emptied.
    """

    transmissivity: float = 5.0e-5
    storativity: float = 1.0e-4
    radius: float = 5.0

    def drawdown(self, flow: float, seconds: float) -> float:
        """Return by how many metres a flow (m³/s) that began so long ago lowers the water."""
        if seconds <= 0:
            return 0.0
        u = self.radius**2 * self.storativity / (4 * self.transmissivity * seconds)
        return flow / (4 * math.pi * self.transmissivity) * well_function(u)


@dataclass(frozen=True, slots=True)
class Run:
    """The pump on from ``start`` to ``end`` at ``flow`` m³/s."""

    start: float
    end: float
    flow: float

    def volume(self, now: float) -> float:
        """Return the volume pumped until then, in m³."""
        return self.flow * (min(now, self.end) - self.start) if now > self.start else 0.0


@dataclass(frozen=True, slots=True)
class PumpedDay:
    """The runs of one day, what had been pumped before them, and the day seen from afar."""

    runs: tuple[Run, ...]
    volume_before: float
    centre: float
    variance: float

    @classmethod
    def of(cls, runs: tuple[Run, ...], volume_before: float) -> Self:
        """Gather the runs of a day."""
        volume = math.fsum(run.volume(run.end) for run in runs)
        if volume == 0:
            return cls(runs, volume_before, 0.0, 0.0)
        shares = [(run.volume(run.end) / volume, run) for run in runs]
        centre = math.fsum(share * (run.start + run.end) / 2 for share, run in shares)
        variance = math.fsum(
            share * (((run.start + run.end) / 2 - centre) ** 2 + (run.end - run.start) ** 2 / 12)
            for share, run in shares
        )
        return cls(runs, volume_before, centre, variance)

    def volume(self, now: float) -> float:
        """Return all that had been pumped by then, in m³; it never goes back, to the last bit."""
        volume = self.volume_before
        for run in self.runs:
            volume += run.volume(now)
        return volume


class PumpedWell:
    """The well from a week before ``start`` on; the pump rests when the time of interest begins.

    ``flow_of_run`` gives the flow in m³/s of a run that begins at an instant; ``rest`` is for how
    many seconds the pump rests at first.
    """

    def __init__(
        self,
        seed: int,
        start: float,
        flow_of_run: Callable[[float], float],
        aquifer: Aquifer | None = None,
        rest: float = REST_AT_START_S,
    ) -> None:
        self._seed = seed
        self._start = start
        self._flow_of_run = flow_of_run
        self._aquifer = aquifer or Aquifer()
        self._rest = rest
        self._first_day = math.floor(start / DAY_S) - _DAYS_OF_HISTORY
        self._days: list[PumpedDay] = []
        self._volume_at_start = self._day(start).volume(start)

    def flow(self, now: float) -> float:
        """Return the flow in m³/s."""
        for run in self._day(now).runs:
            if run.start <= now < run.end:
                return run.flow
        return 0.0

    def volume(self, now: float) -> float:
        """Return the volume pumped since the start, in m³."""
        return self._day(now).volume(now) - self._volume_at_start

    def drawdown(self, now: float) -> float:
        """Return by how many metres the water stands below its rest level."""
        self._day(now)
        today = self._index(now)
        in_detail = max(0, today + 1 - _DAYS_IN_DETAIL)
        metres = 0.0
        for day in self._days[in_detail : today + 1]:
            for run in day.runs:
                if now > run.start:
                    metres += self._aquifer.drawdown(run.flow, now - run.start)
                    metres -= self._aquifer.drawdown(run.flow, now - run.end)
        volume_per_second = 0.0
        for day, next_day in zip(self._days[:in_detail], self._days[1:], strict=False):
            age = now - day.centre
            volume = next_day.volume_before - day.volume_before
            volume_per_second += volume / age * (1 + day.variance / age**2)
        return metres + volume_per_second / (4 * math.pi * self._aquifer.transmissivity)

    def runs(self, begin: float, end: float) -> list[Run]:
        """Return the runs that begin in a span of time, in order."""
        days = range(self._index(begin), self._index(end) + 1)
        every = [run for index in days for run in self._day_at(index).runs]
        return [run for run in every if begin <= run.start < end]

    def _index(self, now: float) -> int:
        return max(0, math.floor(now / DAY_S) - self._first_day)

    def _day(self, now: float) -> PumpedDay:
        return self._day_at(self._index(now))

    def _day_at(self, index: int) -> PumpedDay:
        while len(self._days) <= index:
            before = self._days[-1].volume(math.inf) if self._days else 0.0
            runs = tuple(
                Run(start, end, self._flow_of_run(start))
                for start, end in day_schedule(self._seed, self._first_day + len(self._days))
                if end <= self._start or start >= self._start + self._rest
            )
            self._days.append(PumpedDay.of(runs, before))
        return self._days[index]


def day_schedule(seed: int, day: int) -> list[tuple[float, float]]:
    """Return when the pump is on in a day (counted from 1970-01-01 UTC): start and end of each run.

    Four to six runs, about a quarter of the time; none goes over midnight, no two overlap.
    """
    rng = Random(f"pump {seed} {day}")
    slot = DAY_S / rng.randint(4, 6)
    runs = []
    for begin in range(round(DAY_S / slot)):
        start = day * DAY_S + (begin + rng.uniform(0.05, 0.4)) * slot
        runs.append((start, start + rng.uniform(0.15, 0.35) * slot))
    return runs
