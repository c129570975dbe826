"""A listener that can be waited for, a broker that says what it is told to, a store in memory."""

from __future__ import annotations

import asyncio
import ssl
import tomllib
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import NamedTuple

from edge.journal.ranges import RangeSet
from edge.readings import Gap, Journalled
from edge.station.model import Station
from edge.status import Reason
from edge.units import Unit
from edge.uplink.session import BrokerSettings, Message, Session

# Far longer than anything here takes; it bounds what a defect costs.
PATIENCE = 20.0


class Observable:
    """Something whose changes can be waited for."""

    def __init__(self) -> None:
        self._changed = asyncio.Event()

    def changed(self) -> None:
        self._changed.set()

    async def until(self, condition: Callable[[], object]) -> None:
        """Return as soon as the condition holds after a change."""
        async with asyncio.timeout(PATIENCE):
            while not condition():
                self._changed.clear()
                await self._changed.wait()


class Listener(Observable):
    """Collects what a broker sends to one session."""

    def __init__(self) -> None:
        super().__init__()
        self.messages: list[Message] = []
        self.on_message: Callable[[Message], None] = self.messages.append

    def take(self, message: Message) -> None:
        self.on_message(message)
        self.changed()


@asynccontextmanager
async def listening(
    settings: BrokerSettings,
    topic_filter: str = "#",
    version: str = "5",
    listener: Listener | None = None,
) -> AsyncIterator[Listener]:
    """Subscribe for the time of a block."""
    listener = listener or Listener()
    session = Session(settings, version, on_message=listener.take)
    await session.connect()
    try:
        await session.subscribe(topic_filter)
        yield listener
    finally:
        await session.close()


Conversation = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


@asynccontextmanager
async def scripted_broker(
    conversation: Conversation, tls: ssl.SSLContext | None = None
) -> AsyncIterator[BrokerSettings]:
    """Listen on a loopback port and hold a conversation with whoever connects."""
    talks: set[asyncio.Task[None]] = set()

    async def hold(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        talks.add(asyncio.current_task())
        try:
            await conversation(reader, writer)
        except (ConnectionError, asyncio.IncompleteReadError, asyncio.CancelledError):
            pass
        finally:
            writer.close()

    server = await asyncio.start_server(hold, "127.0.0.1", 0, ssl=tls)
    try:
        yield settings_for(server.sockets[0].getsockname()[1])
    finally:
        server.close()
        for talk in talks:
            talk.cancel()
        await asyncio.gather(*talks, return_exceptions=True)


async def read_packet(reader: asyncio.StreamReader) -> tuple[int, bytes]:
    """Read one MQTT control packet: its first byte and its body."""
    kind, digit = await reader.readexactly(2)
    length, place = digit & 0x7F, 7
    while digit & 0x80:
        (digit,) = await reader.readexactly(1)
        length |= (digit & 0x7F) << place
        place += 7
    return kind, await reader.readexactly(length)


class Publication(NamedTuple):
    """A PUBLISH packet as a scripted broker has it."""

    topic: str
    payload: bytes
    client: int
    """Which connection it came over, counted from 1."""


class PickyBroker(Observable):
    """A broker in the test's own loop that answers every message as ``answer`` says.

    ``answer`` returns what stands in the PUBACK after the packet's number: nothing for a plain yes,
    a reason code for a refusal; a whole DISCONNECT packet to follow a plain yes; or None to hang
    up.
    """

    def __init__(
        self,
        answer: Callable[[Publication], Awaitable[bytes | None]],
        version: str = "3.1.1",
        properties: bytes = b"",
    ) -> None:
        """``properties`` are those of the CONNACK in MQTT 5."""
        super().__init__()
        self.taken: list[Publication] = []
        self.connections = 0
        self._answer = answer
        self._five = version == "5"
        size = len(properties)
        self._connack = b"\x20\x02\x00\x00"
        if self._five:
            self._connack = bytes([0x20, 3 + size, 0, 0, size]) + properties

    async def talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await read_packet(reader)
        self.connections += 1
        client = self.connections
        writer.write(self._connack)
        answers: list[asyncio.Task[None]] = []
        try:
            while (packet := await read_packet(reader))[0] & 0xF0 != 0xE0:
                if packet[0] & 0xF0 == 0x30:
                    answers.append(asyncio.ensure_future(self._take(packet[1], client, writer)))
        finally:
            for one in answers:
                one.cancel()
            await asyncio.gather(*answers, return_exceptions=True)

    async def _take(self, body: bytes, client: int, writer: asyncio.StreamWriter) -> None:
        end = 2 + int.from_bytes(body[:2], "big")
        payload = body[end + 2 + self._five :]
        publication = Publication(body[2:end].decode(), payload, client)
        answer = await self._answer(publication)
        if answer is None:
            writer.transport.abort()
        else:
            self.taken.append(publication)
            more = b"" if answer[:1] == b"\xe0" else answer
            header = bytes([0x40, 2 + len(more)])
            writer.write(header + body[end : end + 2] + answer)
        self.changed()


def settings_for(port: int, **changes: object) -> BrokerSettings:
    return BrokerSettings("127.0.0.1", port, **{"client_id": "ash-creek-2", **changes})


STATION_FILE = Path(__file__).parents[2] / "config" / "ash-creek-2.toml"


def ash_creek(uplink: dict[str, object] | None = None, **info: object) -> Station:
    """Load the example station with changes to its uplink and to what it says of itself."""
    data = tomllib.loads(STATION_FILE.read_text(encoding="utf-8"))
    data["uplink"] |= uplink or {}
    data["station"] |= info
    return Station.model_validate(data)


class MemoryStore(Observable):
    """Stands in for the journal: the same readings for the same numbers, and no disk."""

    def __init__(self, newest: int = 0) -> None:
        super().__init__()
        self.sendable = newest
        self.identity = "9f2c41d07be8a356"
        self.gaps: list[Gap] = []
        self.units: dict[str, Unit] = {}
        self.sent = RangeSet()
        self.deleted = RangeSet()
        self.most_under_way = 0
        """The most readings fetched and not yet acknowledged."""
        self.gate = asyncio.Event()
        """Closed, it holds up whoever fetches."""
        self.gate.set()
        self.waiting_at_gate = asyncio.Event()
        self.fetched: list[tuple[int, int]] = []
        self._offered = RangeSet()

    async def fetch(self, first: int, last: int) -> list[Journalled]:
        if not self.gate.is_set():
            self.waiting_at_gate.set()
            await self.gate.wait()
        self.fetched.append((first, last))
        self._offered.add(first, last)
        self.most_under_way = max(self.most_under_way, len(self._offered) - len(self.sent))
        return [reading(seq) for seq in range(first, last + 1) if seq not in self.deleted]

    def acknowledge(self, first: int, last: int) -> None:
        self.sent.add(first, last)
        self.changed()

    def untold(self) -> list[Gap]:
        return list(self.gaps)

    def told(self, gap: Gap) -> None:
        self.gaps.remove(gap)
        self.changed()


def reading(seq: int) -> Journalled:
    """Make the reading of that number: four channels by turns, once a minute."""
    series = ("level", "head", "flow.total", "battery")[seq % 4]
    utc_ms = 1_772_346_600_000 + 60_000 * (seq // 4)
    if seq % 97 == 0:
        return Journalled(seq, series, utc_ms, None, Reason.OPEN_LOOP)
    return Journalled(seq, series, utc_ms, seq / 8, Reason.OK)
