"""The receiver's books: what has arrived from a station, what came twice, and what is missing.

A reading is known by its number in the station's journal, so books can be kept however the packs
were cut, repeated or re-ordered under way. A station that was given a new journal numbers from 1
again; so there is a volume for every journal. A number that is missing is accounted for when the
station has stated why. What is remembered grows with the gaps and the series, not with the
readings.
"""

from __future__ import annotations

from edge.journal.ranges import RangeSet
from edge.readings import Gap, Journalled, WhyGone
from edge.uplink.senml import Pack, SenmlError, decode
from edge.uplink.stated_gaps import GapsError, decode_gaps


class Volume:
    """What has come from one journal."""

    def __init__(self) -> None:
        self.seen = RangeSet()
        """Numbers of the readings that have come."""
        self.stated: dict[WhyGone, RangeSet] = {}
        """Numbers that the station says are gone, by its reason."""
        self.latest: dict[str, Journalled] = {}
        """The reading with the highest number, by series."""

    def enter(self, reading: Journalled) -> bool:
        """Enter a reading; False when it had come before."""
        if reading.seq in self.seen:
            return False
        self.seen.add(reading.seq, reading.seq)
        latest = self.latest.get(reading.series)
        if latest is None or latest.seq < reading.seq:
            self.latest[reading.series] = reading
        return True

    def explain(self, gap: Gap) -> None:
        """Enter a stated gap."""
        self.stated.setdefault(gap.why, RangeSet()).add(gap.first, gap.last)

    def gaps(self) -> list[tuple[int, int]]:
        """Return the runs of numbers, between the lowest and the highest seen, that are missing.

        Those that a stated gap covers are left out.
        """
        ranges = list(self.seen)
        if not ranges:
            return []
        known = RangeSet(ranges)
        for numbers in self.stated.values():
            for first, last in numbers:
                known.add(first, last)
        return list(known.gaps(ranges[0][0], ranges[-1][1]))

    def explained(self) -> dict[WhyGone, int]:
        """Return how many numbers never came because they are gone, by reason."""
        counts = {
            why: sum(
                last - first + 1 for stated in numbers for first, last in self.seen.gaps(*stated)
            )
            for why, numbers in self.stated.items()
        }
        return {why: count for why, count in counts.items() if count}


class Books:
    """What has come from one station: counters, and a volume for each of its journals."""

    def __init__(self) -> None:
        self.packs = 0
        """Messages that could be read."""
        self.arrived = 0
        """Readings in all packs, duplicates included."""
        self.duplicates = 0
        """Readings that had come before."""
        self.volumes: dict[str, Volume] = {}
        """By the journal's identity, in the order in which they were first heard of."""

    def enter(self, pack: Pack) -> list[Journalled]:
        """Enter a pack; return the readings in it that are new, in order of their numbers."""
        volume = self.volumes.setdefault(pack.journal, Volume())
        new = [reading for reading in pack.readings if volume.enter(reading)]
        self.packs += 1
        self.arrived += len(pack.readings)
        self.duplicates += len(pack.readings) - len(new)
        return new

    def explain(self, gap: Gap, journal: str = "") -> None:
        """Enter a gap that the station has stated in the numbers of one of its journals."""
        self.volumes.setdefault(journal, Volume()).explain(gap)

    @property
    def distinct(self) -> int:
        """How many readings have come, each counted once, from all journals."""
        return sum(len(volume.seen) for volume in self.volumes.values())

    @property
    def seen(self) -> RangeSet:
        """Numbers of the readings that have come from the journal last heard of."""
        return self._last().seen

    @property
    def latest(self) -> dict[str, Journalled]:
        """The newest reading by series: of the journal last heard of, or else of one before."""
        found: dict[str, Journalled] = {}
        for volume in self.volumes.values():
            found |= volume.latest
        return found

    def gaps(self) -> list[tuple[int, int]]:
        """Return what is missing and not accounted for, journal by journal."""
        return [gap for volume in self.volumes.values() for gap in volume.gaps()]

    def explained(self) -> dict[WhyGone, int]:
        """Return how many numbers never came because they are gone, by reason."""
        total: dict[WhyGone, int] = {}
        for volume in self.volumes.values():
            for why, count in volume.explained().items():
                total[why] = total.get(why, 0) + count
        return total

    def _last(self) -> Volume:
        return next(reversed(self.volumes.values()), Volume())


class Library:
    """The books of any number of stations, by station id."""

    def __init__(self) -> None:
        self.books: dict[str, Books] = {}
        self.malformed = 0
        """Messages that could not be read, and so belong to no station."""

    def take(self, payload: bytes) -> tuple[str, list[Journalled]]:
        """Enter a message; return its station, "" when unreadable, and what in it is new."""
        try:
            pack = decode(payload)
        except SenmlError:
            self.malformed += 1
            return "", []
        return pack.station, self.books.setdefault(pack.station, Books()).enter(pack)

    def take_gaps(self, payload: bytes) -> None:
        """Enter a statement of gaps."""
        try:
            statement = decode_gaps(payload)
        except GapsError:
            self.malformed += 1
            return
        books = self.books.setdefault(statement.station, Books())
        for gap in statement.gaps:
            books.explain(gap, statement.journal)
