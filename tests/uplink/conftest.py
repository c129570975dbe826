"""A listener that can be waited for, and a broker that says what a test tells it to."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager

import pytest

from edge.uplink.session import BrokerSettings, Message, Session

# Far longer than anything here takes; it bounds what a defect costs.
PATIENCE = 20.0


class Listener:
    """Collects what a broker sends to one session, and wakes those who wait for it."""

    def __init__(self) -> None:
        self.messages: list[Message] = []
        self.on_message: Callable[[Message], None] = self.messages.append
        self._arrived = asyncio.Event()

    def take(self, message: Message) -> None:
        self.on_message(message)
        self._arrived.set()

    async def until(self, condition: Callable[[], object]) -> None:
        """Return as soon as the condition holds after a message."""
        async with asyncio.timeout(PATIENCE):
            while not condition():
                self._arrived.clear()
                await self._arrived.wait()


@asynccontextmanager
async def listening(
    settings: BrokerSettings, topic_filter: str = "#", version: str = "5"
) -> AsyncIterator[Listener]:
    """Subscribe for the time of a block."""
    listener = Listener()
    session = Session(settings, version, on_message=listener.take)
    await session.connect()
    try:
        await session.subscribe(topic_filter)
        yield listener
    finally:
        await session.close()


Conversation = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


@asynccontextmanager
async def scripted_broker(conversation: Conversation) -> AsyncIterator[BrokerSettings]:
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

    server = await asyncio.start_server(hold, "127.0.0.1", 0)
    try:
        yield settings_for(server.sockets[0].getsockname()[1])
    finally:
        server.close()
        for talk in talks:
            talk.cancel()
        await asyncio.gather(*talks, return_exceptions=True)


async def read_packet(reader: asyncio.StreamReader) -> tuple[int, bytes]:
    """Read one MQTT control packet of less than 16 KiB: its first byte and its body."""
    kind, length = await reader.readexactly(2)
    if length > 127:
        length = length - 128 + 128 * (await reader.readexactly(1))[0]
    return kind, await reader.readexactly(length)


def settings_for(port: int, **changes: object) -> BrokerSettings:
    return BrokerSettings("127.0.0.1", port, **{"client_id": "ash-creek-2", **changes})


@pytest.fixture(autouse=True)
async def no_task_is_left_behind() -> AsyncIterator[None]:
    """Let the loop close what a test has let go of before warnings are counted."""
    yield
    await asyncio.sleep(0)
