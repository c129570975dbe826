"""How many readings of its measured channels a station promises by the hour, and how many it made.

A channel promises a reading every record interval, stretched as its stage has it; none while its
bus is stopped, its supply shed, or the computer off.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from edge.energy.stages import NORMAL, Effects
from edge.readings import Journalled
from edge.station.model import Measured, Station
from edge.status import Quality
from hw_fakes.trace import Span

HOUR_MS = 3_600_000


@dataclass(slots=True)
class Hour:
    """What came of an hour: readings of measured channels, one series each."""

    begin_ms: int
    usual: float = 0.0
    """What the stage "normal" promises."""
    promised: float = 0.0
    """What the stages did that the station was in."""
    journalled: int = 0
    arrived: int = 0


def effects_by_stage(station: Station) -> dict[str, Effects]:
    """Return what is shed in every stage, by its name."""
    if station.energy is None:
        return {NORMAL: Effects()}
    return {stage.name: stage.effects for stage in station.energy.rules().ladder}


def hours_of(
    station: Station,
    spans: Iterable[Span],
    journal: Iterable[Journalled],
    arrived: Mapping[int, Journalled],
    *,
    begin_ms: int,
    end_ms: int,
) -> list[Hour]:
    """Return an account of every hour of a run."""
    hours = [Hour(at) for at in range(begin_ms, end_ms, HOUR_MS)]
    effects = effects_by_stage(station)
    usual = _readings_per_ms(station, Effects())
    for hour in hours:
        hour.usual = usual * (min(hour.begin_ms + HOUR_MS, end_ms) - hour.begin_ms)
    for span in spans:
        rate = _readings_per_ms(station, effects[span.stage]) if span.up else 0.0
        first = (span.begin_ms - begin_ms) // HOUR_MS
        last = (span.end_ms - 1 - begin_ms) // HOUR_MS
        for hour in hours[max(first, 0) : last + 1]:
            until = min(hour.begin_ms + HOUR_MS, end_ms)
            hour.promised += rate * span.overlap_ms(hour.begin_ms, until)
    leading = _leading_series(station)
    for reading in journal:
        # Slots are at the end of their intervals; after the end of the run the world stands still.
        index = (reading.utc_ms - 1 - begin_ms) // HOUR_MS
        within = 0 <= index < len(hours)
        if within and reading.series in leading and reading.reason.quality is not Quality.BAD:
            hours[index].journalled += 1
            hours[index].arrived += reading.seq in arrived
    return hours


def _readings_per_ms(station: Station, effects: Effects) -> float:
    if effects.halt:
        return 0.0
    return sum(
        1 / (channel.record_ms * effects.stretch_sampling)
        for channel in station.measured.values()
        if _read_in(channel, effects)
    )


def _read_in(channel: Measured, effects: Effects) -> bool:
    return channel.bus not in effects.stopped and channel.supply not in effects.off


def _leading_series(station: Station) -> set[str]:
    """Return the first series of every measured channel."""
    names = [series.name for series in station.series()]
    return {
        next(name for name in names if name.partition(".")[0] == channel)
        for channel in station.measured
    }
