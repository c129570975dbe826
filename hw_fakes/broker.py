"""An MQTT 3.1.1 broker inside the process, on the loopback interface.

The broker is amqtt's; the server socket is our own, so that its port is known, stays the same over
a restart, and no connection outlives it. A client that speaks MQTT 5 is told so (CONNACK with
return code 1, "unacceptable protocol version") and has to come back with 3.1.1. As everybody is
let in anonymously, nothing is kept for a client that is away, whatever session it asked for.
"""

from __future__ import annotations

import asyncio
import logging
from types import TracebackType
from typing import Self

from amqtt.adapters import StreamReaderAdapter, StreamWriterAdapter
from amqtt.broker import Broker

# Every client that drops its connection is a warning to amqtt; here that is the daily business.
logging.getLogger("amqtt").setLevel(logging.CRITICAL)

_LISTENER = "default"
_CONFIG = {
    "listeners": {_LISTENER: {"type": "external", "bind": "unused"}},
    "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
}


class EmbeddedBroker:
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

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def __aexit__(
        self,
        exc_type: type[BaseException] | None,
        exc: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        await self.stop()

    def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self._broker is None:
            writer.transport.abort()
            return
        self.connections += 1
        client = asyncio.create_task(
            self._broker.external_connected(
                StreamReaderAdapter(reader), StreamWriterAdapter(writer), _LISTENER
            )
        )
        self._clients[client] = writer
        client.add_done_callback(self._forget)

    def _forget(self, client: asyncio.Task[None]) -> None:
        self._clients.pop(client).transport.abort()
        if not client.cancelled() and (error := client.exception()):
            logging.getLogger(__name__).debug("a client's task ended: %r", error)
