"""What is said beside the readings: how the station is, and which numbers are gone for good.

It must not hold up the readings. A broker that bears only short messages, and hangs up on longer
ones, is told less: the status in short, gaps one at a time, and those no longer before the first
readings. One that hangs up all the same, as a broker of MQTT 3.1.1 may where it forbids a topic,
is not told for a number of publish slots, which doubles every time that does not help.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence

import structlog

from edge.clock import Clock
from edge.health import ENERGY, Condition
from edge.readings import Gap
from edge.station.model import Station
from edge.uplink import announce
from edge.uplink.link import Store
from edge.uplink.sending import Sender, first_of
from edge.uplink.session import ConnectionLostError, RefusedError, Session
from edge.uplink.stated_gaps import encode_gaps

# After so many connections lost over a bulletin it is put more briefly, or later; after so many it
# is left out for a while.
_TRIES = 2
_ALL_TRIES = 4

# In publish slots.
_LONGEST_PAUSE = 256

_GAPS_IN_A_MESSAGE = 20


class Bulletins:
    """Publishes a station's status and the gaps in its numbers, each until it is acknowledged.

    All that takes a session raises ConnectionLostError; a refusal is noted.
    """

    def __init__(
        self,
        station: Station,
        store: Store,
        conditions: Callable[[], Sequence[Condition]],
        sender: Sender,
        *,
        clock: Clock,
        note: Callable[[str], None],
    ) -> None:
        """``station`` must have an uplink section; ``sender`` has packs under way meanwhile."""
        assert station.uplink is not None  # noqa: S101 - said above
        self._station = station
        self._id = station.station.id
        self._status_topic = announce.status_topic(station.uplink.topic_prefix, self._id)
        self._gaps_topic = announce.gaps_topic(station.uplink.topic_prefix, self._id)
        self._store = store
        self._conditions = conditions
        self._sender = sender
        self._clock = clock
        self._note = note
        self._since = clock.monotonic()
        self._told: list[object] | None = None
        self._said_there = False
        self._retained = True
        self._lost_over: Counter[str] = Counter()
        self._slots_left: Counter[str] = Counter()
        self._pauses: dict[str, int] = {}
        self._log = structlog.get_logger()

    def begin(self, *, retained: bool = True) -> None:
        """Take note that a connection has come about, with a will that is ``retained`` or not."""
        self._since = self._clock.monotonic()
        self._said_there, self._retained = False, retained

    def slot(self) -> None:
        """Take note of a publish slot."""
        self._slots_left = +Counter({topic: n - 1 for topic, n in self._slots_left.items()})

    async def status(self, session: Session) -> None:
        """Say that the station is there, and how its parts are."""
        if self._is_left_out(self._status_topic):
            return
        conditions = self._conditions()
        ago = self._clock.monotonic() - self._since
        since_ms = self._clock.utc_ms() - round(ago * 1000)
        status = announce.online(self._station, since_ms, conditions)
        in_vain = self._lost_over[self._status_topic] >= _TRIES
        if in_vain or not session.fits(self._status_topic, status):
            self._note("the station's status is too large for the broker")
            status = announce.online_in_short(self._id, since_ms)
        await self._say(session, status)
        self._told, self._said_there = _signals(conditions), True

    async def status_if_changed(self, session: Session, *, stays: bool) -> None:
        """Say how the parts are where that has changed.

        A station that ``stays`` also says that it is there, if it has not on this connection.
        """
        if (stays and not self._said_there) or _signals(self._conditions()) != self._told:
            await self.status(session)

    async def farewell(self, session: Session, reason: str) -> None:
        """Say that the station was stopped."""
        await self._take_leave(session, announce.offline(self._id, reason))

    async def away(self, session: Session, reason: str, next_ms: int | None) -> None:
        """Say that the station leaves for a while, as planned, and how its parts are."""
        away = announce.away(self._id, reason, next_ms, self._conditions())
        if not session.fits(self._status_topic, away):
            away = announce.offline(self._id, reason)
        await self._take_leave(session, away)

    async def gaps_at_the_start(self, session: Session) -> None:
        """State the gaps, unless connections were lost over that: then readings come first."""
        if self._lost_over[self._gaps_topic] < _TRIES:
            await self.gaps(session)

    async def gaps(self, session: Session) -> None:
        """State the gaps not stated yet; what does not go now is tried at the next slot."""
        if self._is_left_out(self._gaps_topic):
            return
        untold, journal = self._store.untold(), self._store.identity
        portion = 1 if self._lost_over[self._gaps_topic] else _GAPS_IN_A_MESSAGE
        while untold:
            gaps, message = self._written(untold[:portion], journal, session)
            untold = untold[len(gaps) :]
            try:
                await self._publish(session, self._gaps_topic, message)
            except RefusedError as error:
                self._note(f"the broker refuses to be told of gaps: {error}")
                return
            if self._store.identity != journal:
                return  # these are no gaps of the journal that has taken its place
            for gap in gaps:
                self._store.told(gap)

    def _written(self, gaps: list[Gap], journal: str, session: Session) -> tuple[list[Gap], bytes]:
        """Write as many of the first gaps as the broker takes in one message; one at least."""
        while True:
            message = encode_gaps(gaps, self._id, journal)
            if len(gaps) == 1 or session.fits(self._gaps_topic, message):
                return gaps, message
            gaps = gaps[: len(gaps) // 2]

    def _is_left_out(self, topic: str) -> bool:
        return self._slots_left[topic] > 0

    async def _take_leave(self, session: Session, status: bytes) -> None:
        if not self._is_left_out(self._status_topic):
            await self._say(session, status)
            self._said_there = False

    async def _say(self, session: Session, status: bytes) -> None:
        # Where the will is not retained, nothing would take back what is.
        retain = session.retains and self._retained
        try:
            await self._publish(session, self._status_topic, status, retain=retain)
        except RefusedError as error:
            self._note(f"the broker refuses the station's status: {error}")

    async def _publish(
        self, session: Session, topic: str, payload: bytes, *, retain: bool = False
    ) -> None:
        while len(self._sender.under_way) >= session.receive_maximum:
            await first_of(self._sender.under_way)
            self._sender.settle()
        try:
            await session.publish(topic, payload, retain=retain)
        except ConnectionLostError:
            self._lost_over[topic] += 1
            if self._lost_over[topic] >= _ALL_TRIES:
                self._leave_out(topic)
            raise
        # Next time it may be said at length again: losses may have been by chance.
        self._lost_over[topic] = max(0, min(self._lost_over[topic], _TRIES) - 1)
        self._pauses.pop(topic, None)

    def _leave_out(self, topic: str) -> None:
        """Say nothing on a topic for some slots, the more the more often that has been in vain."""
        slots = self._slots_left[topic] = self._pauses.get(topic, 1)
        self._pauses[topic] = min(_LONGEST_PAUSE, 2 * slots)
        self._log.warning("the broker hangs up on a topic: it is left out", on=topic, slots=slots)


def _signals(conditions: Sequence[Condition]) -> list[object]:
    """Return of the conditions what makes it worth telling anew; the words change all the time.

    But what is shed does not: by that two stages of one category are told apart.
    """
    return [(one.part, one.category, one.doing if one.part == ENERGY else "") for one in conditions]
