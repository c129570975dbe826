"""What waits in memory to be committed: rounds in order, what rides along with them, what was lost.

Readings whose time is not known yet bear a `Stamp`. A batch holds readings of one stamp, or of
none, so that the journal can note the stamp once. When the true time of their boot becomes known,
those still in memory are put right on their way out (`Batch.timed`); what is kept here stays as it
was handed over, to be recognised should a commit turn out to have been kept (`Waiting.drop_kept`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from edge.journal.gaps import Lost
from edge.measure.values import State
from edge.readings import Gap, Journalled, Reading, Stamp

TrueTime = tuple[str, int]
"""A boot, and the true offset of its monotonic time to UTC, in milliseconds."""


@dataclass(slots=True)
class Batch:
    """What is committed in one transaction."""

    stamp: Stamp | None = None
    readings: list[Reading] = field(default_factory=list)
    states: dict[str, State] = field(default_factory=dict)
    acknowledged: list[tuple[int, int]] = field(default_factory=list)
    told: list[Gap] = field(default_factory=list)
    lost: Lost | None = None

    def __bool__(self) -> bool:
        return bool(self.readings or self.states or self.acknowledged or self.told or self.lost)

    def timed(self, true_time: TrueTime | None) -> tuple[list[Reading], Stamp | None]:
        """Return the readings and their stamp; put right, and without, where it is of that boot."""
        if self.stamp is None or true_time is None or self.stamp.boot != true_time[0]:
            return self.readings, self.stamp
        by = true_time[1] - self.stamp.offset_ms
        return [replace(one, utc_ms=one.utc_ms + by) for one in self.readings], None


class Waiting:
    """A queue of rounds that holds at most ``most`` readings: beyond that the oldest are lost."""

    def __init__(self, most: int) -> None:
        self.lost = 0
        """Readings lost so far."""
        self.acknowledged: list[tuple[int, int]] = []
        self.told: list[Gap] = []
        self._most = most
        self._rounds: list[Batch] = []  # without what rides along
        self._lost: Lost | None = None

    def __bool__(self) -> bool:
        return bool(self._rounds or self.acknowledged or self.told or self._lost)

    @property
    def readings(self) -> int:
        """How many readings wait."""
        return sum(len(rounds.readings) for rounds in self._rounds)

    def add(
        self, readings: Sequence[Reading], states: Mapping[str, State], stamp: Stamp | None
    ) -> None:
        """Queue a round."""
        self._rounds.append(Batch(stamp, list(readings), dict(states)))
        self._join(len(self._rounds) - 2)
        self._keep_within_bounds()

    def take(self) -> Batch:
        """Take out what is to be committed next."""
        batch = self._rounds.pop(0) if self._rounds else Batch()
        batch.acknowledged, self.acknowledged = self.acknowledged, []
        batch.told, self.told = self.told, []
        batch.lost, self._lost = self._lost, None
        return batch

    def put_back(self, batch: Batch) -> None:
        """Queue again, in front, what could not be committed."""
        if batch.readings or batch.states:
            self._rounds.insert(0, Batch(batch.stamp, batch.readings, batch.states))
            self._join(0)
        self.acknowledged = batch.acknowledged + self.acknowledged
        self.told = batch.told + self.told
        self._lose(batch.lost)
        self._keep_within_bounds()

    def drop_kept(self, rows: Sequence[Journalled], *, lost: bool) -> None:
        """Forget readings, the oldest first, that turned out to be in the journal.

        A commit that reports an error may be on the disk all the same, once the medium is back.
        ``lost`` says that what was lost is on record there, too.
        """
        if lost:
            self._lost = None
        kept = iter(rows)
        for rounds in self._rounds:
            for index, one in enumerate(rounds.readings):
                row = next(kept, None)
                if row is None or not _is_kept(one, row, rounds.stamp):
                    del rounds.readings[:index]
                    return
            rounds.readings.clear()

    def _join(self, index: int) -> None:
        """Make one of two neighbours of one stamp: they can share a transaction."""
        pair = self._rounds[index : index + 2] if index >= 0 else []
        if len(pair) == 2 and pair[0].stamp == pair[1].stamp:
            pair[0].readings += pair[1].readings
            pair[0].states |= pair[1].states
            del self._rounds[index + 1]

    def _keep_within_bounds(self) -> None:
        surplus = self.readings - self._most
        while surplus > 0:
            # What the channels must remember stays: totals go on where they stand.
            oldest = next(rounds for rounds in self._rounds if rounds.readings)
            gone = oldest.readings[:surplus]
            del oldest.readings[:surplus]
            surplus -= len(gone)
            self.lost += len(gone)
            times = [reading.utc_ms for reading in gone] if oldest.stamp is None else []
            self._lose(Lost(len(gone), min(times, default=None), max(times, default=None)))

    def _lose(self, lost: Lost | None) -> None:
        self._lost = lost.joined(self._lost) if lost else self._lost


def _is_kept(one: Reading, row: Journalled, stamp: Stamp | None) -> bool:
    # What has a stamp may have been put right on its way out.
    same_time = stamp is not None or row.utc_ms == one.utc_ms
    return same_time and (row.series, row.value) == (one.series, one.value)
