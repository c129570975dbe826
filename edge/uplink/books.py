"""The receiver's books: what has arrived from a station, what came twice, and what is missing.

A reading is known by its number in the station's journal, so books can be kept however the packs
were cut, repeated or re-ordered under way. What is remembered grows with the gaps and the series,
not with the readings.
"""

from __future__ import annotations

from edge.journal.ranges import RangeSet
from edge.readings import Journalled
from edge.uplink.senml import Pack, SenmlError, decode


class Books:
    """What has come from one station."""

    def __init__(self) -> None:
        self.packs = 0
        """Messages that could be read."""
        self.arrived = 0
        """Readings in all packs, duplicates included."""
        self.duplicates = 0
        """Readings that had come before."""
        self.latest: dict[str, Journalled] = {}
        """The reading with the highest number, by series."""
        self.seen = RangeSet()
        """Numbers of the readings that have come."""

    def enter(self, pack: Pack) -> list[Journalled]:
        """Enter a pack; return the readings in it that are new, in order of their numbers."""
        self.packs += 1
        self.arrived += len(pack.readings)
        new = []
        for reading in pack.readings:
            if reading.seq in self.seen:
                self.duplicates += 1
                continue
            self.seen.add(reading.seq, reading.seq)
            new.append(reading)
            latest = self.latest.get(reading.series)
            if latest is None or latest.seq < reading.seq:
                self.latest[reading.series] = reading
        return new

    def gaps(self) -> list[tuple[int, int]]:
        """Return the runs of numbers that are missing between the lowest and the highest seen."""
        ranges = list(self.seen)
        return list(self.seen.gaps(ranges[0][0], ranges[-1][1])) if ranges else []


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
