"""An MQTT 3.1.1 broker inside the process, on the loopback interface.

The broker is amqtt's; the server socket is our own, so that its port is known, stays the same over
a restart, and no connection outlives it. As everybody is let in anonymously, nothing is kept for
a client that is away, whatever session it asked for.

A client that speaks another version than 3.1.1 is refused as that version demands (MQTT 3.1.1,
section 3.2.2.3: CONNACK with return code 1, "unacceptable protocol version") and has to come back
with 3.1.1. amqtt means to do the same, but takes the properties of an MQTT 5 CONNECT for a length
and waits for what never comes; so the version is looked at before amqtt sees the packet.
"""

from __future__ import annotations

import asyncio
import logging

from amqtt.adapters import StreamWriterAdapter
from amqtt.broker import Broker

from hw_fakes.startable import Startable

# Every client that drops its connection is a warning to amqtt; here that is the daily business.
logging.getLogger("amqtt").setLevel(logging.CRITICAL)

_WRONG_VERSION = b"\x20\x02\x00\x01"
_MQTT_3_1_1 = 4

_LISTENER = "default"
_CONFIG = {
    "listeners": {_LISTENER: {"type": "external", "bind": "unused"}},
    "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
}


class EmbeddedBroker(Startable):
    """A broker on 127.0.0.1; the system chooses the port at the first start, unless one is given.

    ``connections`` counts those that have been accepted.
    """

    host = "127.0.0.1"

    def __init__(self, port: int = 0) -> None:
        self.port = port
        self.connections = 0
        self._broker: Broker | None = None
        self._server: asyncio.Server | None = None
        self._clients: dict[asyncio.Task[None], asyncio.StreamWriter] = {}

    async def start(self) -> None:
        """Serve clients. Raises OSError when the port is taken."""
        self._broker = Broker(_CONFIG)
        await self._broker.start()
        self._server = await asyncio.start_server(self._accept, self.host, self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        """Drop all clients, forget all sessions and retained messages, refuse connections."""
        if self._server is None or self._broker is None:
            return
        server, self._server = self._server, None
        broker, self._broker = self._broker, None
        server.close()
        for writer in self._clients.values():
            writer.transport.abort()
        await broker.shutdown()
        clients = list(self._clients)
        for client in clients:
            client.cancel()
        await asyncio.gather(*clients, return_exceptions=True)
        await server.wait_closed()

    async def restart(self) -> None:
        """Stop, and start again on the same port."""
        await self.stop()
        await self.start()

    def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self._broker is None:
            writer.transport.abort()
            return
        self.connections += 1
        client = asyncio.create_task(_serve(self._broker, reader, writer))
        self._clients[client] = writer
        client.add_done_callback(self._forget)

    def _forget(self, client: asyncio.Task[None]) -> None:
        self._clients.pop(client).transport.abort()
        if not client.cancelled() and (error := client.exception()):
            logging.getLogger(__name__).debug("a client's task ended: %r", error)


async def _serve(
    broker: Broker, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
) -> None:
    head = await _head_of_connect(reader)
    if head[-1] == _MQTT_3_1_1:
        client = _ReaderWithHead(head, reader), StreamWriterAdapter(writer)
        await broker.external_connected(*client, _LISTENER)
    else:
        writer.write(_WRONG_VERSION)
        await writer.drain()


async def _head_of_connect(reader: asyncio.StreamReader) -> bytes:
    """Read a CONNECT packet (MQTT 3.1.1, section 3.1) as far as its protocol level."""
    head = await reader.readexactly(2)
    while head[-1] & 0x80 and len(head) < 5:
        head += await reader.readexactly(1)
    name_length = await reader.readexactly(2)
    name_and_level = await reader.readexactly(int.from_bytes(name_length, "big") + 1)
    return head + name_length + name_and_level


class _ReaderWithHead:
    """What amqtt reads from: first the bytes already read, then the connection."""

    def __init__(self, head: bytes, reader: asyncio.StreamReader) -> None:
        self._head = head
        self._reader = reader

    async def read(self, n: int) -> bytes:
        head, self._head = self._head[:n], self._head[n:]
        return head + await self._reader.readexactly(n - len(head))

    def feed_eof(self) -> None:
        self._reader.feed_eof()
