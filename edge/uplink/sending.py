"""Packs on their way: which may go now, what is in them, and what the broker's answers mean.

Theory of operation. At most a window of packs is under way. Live packs go as long as there is room;
those of the backlog leave a place free, so that live ones need not queue behind them, and keep to
their share of the time (`edge.uplink.pace`). What would not go is tried by itself, when nothing
else is left.

A pack that fails while others get through is set aside. When several fail in a row the broker, or
the journal, is the one that fails; then all waits for the next publish slot.

When the connection is lost with packs under way, these may be to blame: a broker of MQTT 3.1.1 that
is sent too much simply hangs up. If nothing got through on that connection the next packs are half
as large. If others did, or it was a single reading, the suspect is the pack sent first of those
that got no answer, for brokers answer in order; suspected twice running, it is set aside. So there
is no pack, and no reading, that can hold up the others for ever.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from enum import Enum, auto
from typing import Any

from edge.clock import Clock
from edge.journal.journal import JournalError
from edge.readings import Journalled
from edge.station.model import Uplink
from edge.uplink.announce import readings_topic
from edge.uplink.link import Store, UplinkState
from edge.uplink.outbox import Outbox, Range
from edge.uplink.pace import BacklogPace, PackSize
from edge.uplink.senml import encode
from edge.uplink.session import ConnectionLostError, RefusedError, Session

# So many packs that fail one after the other are not to blame themselves.
_FAILURES_IN_A_ROW = 3

# Where readings have become few, as after thinning, a pack is made up of several ranges; but of so
# many at most, for each is a question to the journal.
_MOST_RANGES = 64


class Kind(Enum):
    """What a pack is made of; in the order in which they go."""

    LIVE = auto()
    BACKLOG = auto()
    ASIDE = auto()


@dataclass(frozen=True, slots=True)
class _Pack:
    kind: Kind
    journal: str
    ranges: list[Range]
    readings: int
    payload: bytes

    @property
    def span(self) -> Range:
        return min(self.ranges)[0], max(self.ranges)[1]


class Sender:
    """Sends what the outbox says, over one connection after the other."""

    def __init__(
        self,
        store: Store,
        plan: Uplink,
        station_id: str,
        units: Mapping[str, str],
        state: UplinkState,
        *,
        clock: Clock,
        note: Callable[[str], None],
        on_arrival: Callable[[], None],
    ) -> None:
        """``units`` are those of SenML, by series.

        ``note`` takes why readings do not go, and "" when they do; ``on_arrival`` is called
        whenever the broker acknowledges some.
        """
        self.under_way: dict[asyncio.Future[None], _Pack] = {}
        """Packs without an answer yet, in the order in which they were sent."""
        self.arrived = False
        """Whether anything was acknowledged on this connection."""
        self._store = store
        self._plan = plan
        self._topic = readings_topic(plan.topic_prefix, station_id)
        self._id = station_id
        self._units = units
        self._state = state
        self._clock = clock
        self._note = note
        self._on_arrival = on_arrival
        self._journal = store.identity
        self._outbox = Outbox(store.sendable, store.sent)
        self._size = PackSize(plan.pack_readings)
        self._pace = BacklogPace(plan.backlog_share.value, clock.monotonic())
        self._window = plan.window
        self._failures = 0
        self._failed_in_this_slot = False
        self._hurried = False
        self._suspect: Range | None = None

    @property
    def pending(self) -> int:
        """How many readings that may be sent the broker has not acknowledged yet."""
        self._look_which_journal()
        self._outbox.grew(self._store.sendable)
        return self._outbox.pending

    @property
    def hindered(self) -> bool:
        """Whether nothing more goes before the next slot."""
        return self._failures >= _FAILURES_IN_A_ROW

    @property
    def in_vain(self) -> bool:
        """Whether packs are under way and nothing of their size has got through."""
        return bool(self.under_way) and (self._size.grown or not self.arrived)

    def begin(self, session: Session, *, hurry: bool = False) -> None:
        """Go on with a new connection; with ``hurry`` the backlog does not keep to its share."""
        self._window = min(self._plan.window, session.receive_maximum)
        self.arrived, self._hurried = False, hurry
        self._start_over()
        self._outbox.begin(self._size.current)

    def slot(self, *, hurry: bool = False) -> None:
        """Take note of a publish slot; with ``hurry`` the backlog no longer keeps to its share."""
        self._start_over()
        self._outbox.slot(self._plan.window * self._plan.pack_readings)
        self._hurried = hurry

    def dropped(self, first: int, last: int) -> None:
        """Take note that readings were deleted before the broker had them."""
        self._look_which_journal()
        self._outbox.dropped(first, last)

    async def fill(self, session: Session) -> None:
        """Send as much as may be under way."""
        self._look_which_journal()
        for kind in Kind:
            while self._may_go(kind) and (pack := await self._make(kind, session)):
                self.under_way[session.publish(self._topic, pack.payload)] = pack
                self._note_pace()
        if not (self.under_way or self.hindered or self._outbox.has_aside):
            self._note("")

    def wait(self) -> float | None:
        """Return after how many seconds the backlog may go on; None when that is not a question."""
        if self.hindered or not self._outbox.has_more or not self._has_room(Kind.BACKLOG):
            return None
        return self._pace.wait(self._clock.monotonic()) or None

    def settle(self) -> None:
        """Book what the broker has answered. Raises ConnectionLostError."""
        lost = None
        for answer in [one for one in self.under_way if one.done()]:
            try:
                answer.result()
            except ConnectionLostError as error:
                lost = error  # later ones may still have got their answer
                continue
            except RefusedError as error:
                self._set_pack_aside(self.under_way.pop(answer), halve=False)
                self._failed(f"the broker refuses readings: {error}")
            else:
                self._book(self.under_way.pop(answer))
        self._note_pace()
        if lost:
            raise lost

    def blame(self) -> None:
        """Find out which of the packs under way may have cost the connection."""
        first = next(iter(self.under_way.values()), None)
        if first is None:
            return
        low, high = first.span
        if first.kind is Kind.ASIDE:
            self._set_pack_aside(first, halve=True)
        elif first.readings > 1 and self.in_vain:
            self._size.too_large(first.readings)
        elif self._suspect and self._suspect[0] <= high and low <= self._suspect[1]:
            self._suspect = None
            self._set_pack_aside(first, halve=True)
        else:
            self._suspect = low, high

    def end(self) -> None:
        """Let go of the connection and of everything under way, once what arrived is booked."""
        with suppress(ConnectionLostError):
            self.settle()
        self.under_way.clear()
        self._outbox.connection_lost()
        self._note_pace()

    # ---------------------------------------------------------------------------- what goes next

    def _may_go(self, kind: Kind) -> bool:
        if self.hindered or not self._has_room(kind):
            return False
        if kind is Kind.LIVE or self._hurried:
            return True
        return not self._pace.wait(self._clock.monotonic())

    def _has_room(self, kind: Kind) -> bool:
        room = self._window - len(self.under_way)
        match kind:
            case Kind.LIVE:
                return room > 0
            case Kind.BACKLOG:
                return room > (1 if self._window > 1 else 0)
            case Kind.ASIDE:
                alone = not (self.under_way or self._outbox.has_backlog)
                return alone and not self._failed_in_this_slot

    async def _make(self, kind: Kind, session: Session) -> _Pack | None:
        """Make the next pack; None when nothing of the kind is left that may go now."""
        while not self.hindered:
            ranges, readings = await self._collect(kind)
            if self._look_which_journal():
                continue  # what was collected is of neither the one nor the other
            if not ranges:
                return None
            if not readings:  # all deleted or thinned
                self._acknowledge(ranges)
                continue
            payload = encode(readings, self._id, self._units, self._journal)
            if session.fits(self._topic, payload):
                return _Pack(kind, self._journal, ranges, len(readings), payload)
            if len(readings) > 1:
                for range_ in ranges:
                    self._outbox.put_back(*range_)
                self._size.too_large(len(readings))
            else:
                self._set_aside(ranges, halve=True)
                self._failed("a reading is too large for the broker")
        return None

    async def _collect(self, kind: Kind) -> tuple[list[Range], list[Journalled]]:
        """Take ranges in hand until there are enough readings for a pack."""
        take = {
            Kind.LIVE: self._outbox.next_live,
            Kind.BACKLOG: self._outbox.next_backlog,
            Kind.ASIDE: self._outbox.next_aside,
        }[kind]
        most = 1 if kind is Kind.ASIDE else _MOST_RANGES
        ranges: list[Range] = []
        readings: list[Journalled] = []
        size = self._size.current
        while (
            not self.hindered
            and len(ranges) < most
            and len(readings) <= size // 2
            and (range_ := take(size - len(readings)))
        ):
            try:
                readings += await self._store.fetch(*range_)
            except JournalError as error:
                self._set_aside([range_], halve=True)
                self._failed(f"the journal cannot be read: {error}")
            else:
                ranges.append(range_)
        return ranges, sorted(readings, key=lambda reading: reading.seq)

    # ------------------------------------------------------------------------------ what became

    def _look_which_journal(self) -> bool:
        """Begin anew when the journal has been replaced, as after a damage; tell whether it has."""
        if self._store.identity == self._journal:
            return False
        self._journal = self._store.identity
        self._outbox = Outbox(self._store.sendable, self._store.sent)
        self._outbox.begin(self._size.current)
        self._suspect = None
        return True

    def _book(self, pack: _Pack) -> None:
        if pack.journal == self._store.identity:
            self._acknowledge(pack.ranges)
        self._size.acknowledged(pack.readings)
        self._failures = 0
        self.arrived = True
        self._state.acknowledged_ms = self._clock.utc_ms()
        self._state.packs += 1
        self._state.readings += pack.readings
        self._state.bytes += len(pack.payload)
        self._on_arrival()
        if not self._outbox.has_aside:
            self._note("")

    def _acknowledge(self, ranges: list[Range]) -> None:
        for range_ in ranges:
            self._store.acknowledge(*range_)
            self._outbox.acknowledged(*range_)

    def _set_pack_aside(self, pack: _Pack, *, halve: bool) -> None:
        if pack.journal == self._journal:
            self._set_aside(pack.ranges, halve=halve)

    def _set_aside(self, ranges: list[Range], *, halve: bool) -> None:
        for range_ in ranges:
            self._outbox.set_aside(*range_, halve=halve)

    def _failed(self, why: str) -> None:
        self._failures += 1
        self._failed_in_this_slot = True
        self._note(why)

    def _start_over(self) -> None:
        self._failures = 0
        self._failed_in_this_slot = False
        self._look_which_journal()
        self._outbox.grew(self._store.sendable)

    def _note_pace(self) -> None:
        busy = any(pack.kind is not Kind.LIVE for pack in self.under_way.values())
        self._pace.note(self._clock.monotonic(), busy=busy)


async def first_of(futures: Iterable[asyncio.Future[Any]]) -> None:
    """Wait until one of the futures is done."""
    await asyncio.wait(set(futures), return_when=asyncio.FIRST_COMPLETED)
