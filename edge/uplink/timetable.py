"""When readings are published, and whether the connection stands in between. Pure.

Slots are either multiples of an interval on the wall clock, or given times of the local day. Clocks
are moved in spring and autumn: a time of the day that does not exist is taken at the instant of the
change, and one that comes twice counts once, the first time.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from edge.clock import next_slot
from edge.energy.stages import Effects
from edge.station.model import Uplink

_DAY_MS = 86_400_000
_UTC = ZoneInfo("UTC")


@dataclass(frozen=True, slots=True)
class Timetable:
    """Slots every ``every_ms`` milliseconds, or ``at`` minutes of the local day in ``zone``.

    ``stay`` has the connection stand between slots. Where it is not ``open`` there is none at all.
    """

    every_ms: int
    at: tuple[int, ...] | None = None
    zone: ZoneInfo = _UTC
    stay: bool = True
    open: bool = True

    @property
    def lingers(self) -> bool:
        """Whether the connection stands between two slots."""
        return self.stay and self.at is None

    def next(self, after_ms: int) -> int | None:
        """Return the first slot after an instant, both in UTC milliseconds; None: there is none."""
        if not self.open:
            return None
        if self.at is None:
            return next_slot(after_ms, self.every_ms)
        today = _local(after_ms, self.zone).date()
        slots = (
            _instant(today + timedelta(days=days), minutes, self.zone)
            for days in (-1, 0, 1, 2)
            for minutes in self.at
        )
        return min((slot for slot in slots if slot > after_ms), default=None)

    def sooner(self, slot_ms: int | None, now_ms: int) -> int | None:
        """Return the slot waited for, or the next one where that is sooner: the clock was set."""
        coming = self.next(now_ms)
        return min((one for one in (slot_ms, coming) if one is not None), default=None)

    def in_words(self, slot_ms: int, now_ms: int) -> str:
        """Say when a slot is, by the local clock: ``at 18:00``, with the date if it is far off."""
        moment = _local(slot_ms, self.zone)
        clock = f"{moment:%H:%M:%S}" if moment.second else f"{moment:%H:%M}"
        soon = slot_ms - now_ms <= _DAY_MS
        return f"at {clock}" if soon else f"on {moment:%Y-%m-%d} at {clock}"


def timetable_of(uplink: Uplink, zone: ZoneInfo, effects: Effects | None = None) -> Timetable:
    """Return the timetable of a station's uplink, under the effects of a stage of load shedding."""
    effects = effects or Effects()
    return Timetable(
        round(uplink.publish.value * 1000) * effects.stretch_publishing,
        effects.publish_at,
        zone,
        stay=uplink.stay_connected,
        open=uplink.supply is None or uplink.supply not in effects.off,
    )


def _local(utc_ms: int, zone: ZoneInfo) -> datetime:
    return datetime.fromtimestamp(utc_ms // 1000, UTC).astimezone(zone)


def _instant(day: date, minutes: int, zone: ZoneInfo) -> int:
    """Return when the local clock shows so many minutes of a day, in UTC milliseconds."""
    wall = datetime.combine(day, time(minutes // 60, minutes % 60), zone)
    first, second = int(wall.timestamp()), int(wall.replace(fold=1).timestamp())
    if first <= second:
        return first * 1000
    # It does not exist. The clock is moved between what the new and the old offset make of it.
    before, after = second, first
    new = _local(after * 1000, zone).utcoffset()
    while after - before > 1:
        middle = (before + after) // 2
        if _local(middle * 1000, zone).utcoffset() == new:
            after = middle
        else:
            before = middle
    return after * 1000
