"""What waits in memory to be committed: rounds in order, what rides along with them, what was lost.

Readings whose time is not known yet bear a `Stamp`. A batch holds readings of one stamp, or of
none, so that the journal can note the stamp once. When the true time of their boot becomes known,
those still in memory are put right here, on their way out.
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
    true_time: TrueTime | None = None
    """What the journal must be told first."""

    def __bool__(self) -> bool:
        return bool(
            self.readings
            or self.states
            or self.acknowledged
            or self.told
            or self.lost
            or self.true_time
        )


@dataclass(slots=True)
class _Rounds:
    """Rounds of readings of one stamp, with what their channels must remember."""

    stamp: Stamp | None
    readings: list[Reading]
    states: dict[str, State]


class Waiting:
    """A queue of rounds that holds at most ``most`` readings: beyond that the oldest are lost."""

    def __init__(self, most: int) -> None:
        self.lost = 0
        """Readings lost so far."""
        self.acknowledged: list[tuple[int, int]] = []
        self.told: list[Gap] = []
        self._most = most
        self._rounds: list[_Rounds] = []
        self._true_time: TrueTime | None = None
        self._true_time_told = True
        self._lost: Lost | None = None

    def __bool__(self) -> bool:
        return bool(
            self._rounds or self.acknowledged or self.told or self._lost or not self._true_time_told
        )

    @property
    def readings(self) -> int:
        """How many readings wait."""
        return sum(len(rounds.readings) for rounds in self._rounds)

    def add(
        self, readings: Sequence[Reading], states: Mapping[str, State], stamp: Stamp | None
    ) -> None:
        """Queue a round."""
        self._rounds.append(_Rounds(stamp, list(readings), dict(states)))
        self._join(len(self._rounds) - 2)
        self._keep_within_bounds()

    def know_true_time(self, true_time: TrueTime) -> None:
        """Put right what waits and what will come with a stamp of that boot."""
        self._true_time = true_time
        self._true_time_told = False

    def take(self) -> Batch:
        """Take out what is to be committed next."""
        rounds = self._rounds.pop(0) if self._rounds else _Rounds(None, [], {})
        batch = Batch(rounds.stamp, rounds.readings, rounds.states)
        if self._true_time:
            batch.readings, batch.stamp = _timed(rounds, *self._true_time)
        batch.acknowledged, self.acknowledged = self.acknowledged, []
        batch.told, self.told = self.told, []
        batch.lost, self._lost = self._lost, None
        if not self._true_time_told:
            batch.true_time, self._true_time_told = self._true_time, True
        return batch

    def put_back(self, batch: Batch) -> None:
        """Queue again, in front, what could not be committed."""
        if batch.readings or batch.states:
            self._rounds.insert(0, _Rounds(batch.stamp, batch.readings, batch.states))
            self._join(0)
        self.acknowledged = batch.acknowledged + self.acknowledged
        self.told = batch.told + self.told
        self._lost = _both(batch.lost, self._lost)
        if batch.true_time:
            self._true_time_told = False
        self._keep_within_bounds()

    def drop_kept(self, rows: Sequence[Journalled], *, lost: bool) -> None:
        """Forget readings, the oldest first, that turned out to be in the journal.

        A commit that reports an error may be on the disk all the same, once the medium is back.
        ``lost`` says that what was lost is on record there, too.
        """
        if lost:
            self._lost = None
        kept = iter([(row.series, row.utc_ms, row.value) for row in rows])
        for rounds in self._rounds:
            for index, one in enumerate(rounds.readings):
                if next(kept, None) != (one.series, one.utc_ms, one.value):
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
            self._lost = _both(
                self._lost, Lost(len(gone), min(times, default=None), max(times, default=None))
            )


def _timed(rounds: _Rounds, boot: str, offset_ms: int) -> tuple[list[Reading], Stamp | None]:
    """Put right what was stamped in that boot."""
    stamp = rounds.stamp
    if stamp is None or stamp.boot != boot:
        return rounds.readings, stamp
    by = offset_ms - stamp.offset_ms
    return [replace(reading, utc_ms=reading.utc_ms + by) for reading in rounds.readings], None


def _both(one: Lost | None, other: Lost | None) -> Lost | None:
    if one is None or other is None:
        return one or other
    known = None not in (one.since_ms, other.since_ms)
    return Lost(
        one.readings + other.readings,
        min(one.since_ms or 0, other.since_ms or 0) if known else None,
        max(one.until_ms or 0, other.until_ms or 0) if known else None,
    )
