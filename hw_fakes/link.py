"""A network link that can be cut: a TCP relay on the loopback interface.

It fails in the two ways that real links do. *Cut*: connections break at once and new ones are
refused, as when an interface goes down. *Hung*: connections stay up and nothing passes, as behind
a router that has lost its uplink; what was sent meanwhile arrives when the link is restored. A link
may hang in one direction only, so that what was sent arrives and its acknowledgement does not.

A link may also be without its modem: then it is down whatever its own state, until the modem is up.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import struct
from collections.abc import Callable

from hw_fakes.startable import Startable

_CHUNK = 65536
# SO_LINGER with a time of nought: closing the socket resets the connection.
_RESET_ON_CLOSE = struct.pack("ii", 1, 0)


class _Way:
    """One direction of the link: a gate, and a count of the bytes that have passed it."""

    def __init__(self) -> None:
        self.passed = 0
        self.passing: Callable[[], None] = lambda: None
        self.open = asyncio.Event()
        self.open.set()

    async def carry(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while data := await reader.read(_CHUNK):
            await self.open.wait()
            self.passed += len(data)
            self.passing()
            writer.write(data)
            await writer.drain()
        writer.write_eof()


class CuttableLink(Startable):
    """Relays every connection made to ``port`` on 127.0.0.1 to a target.

    The port is chosen by the system at `start` and kept from then on.
    """

    def __init__(self, target_host: str, target_port: int) -> None:
        self.port = 0
        self.connections = 0
        """How many connections have been accepted so far."""
        self.modem_up: Callable[[], bool] = lambda: True
        self._target = (target_host, target_port)
        self._out, self._back = _Way(), _Way()
        self._server: asyncio.Server | None = None
        self._relays: set[asyncio.Task[None]] = set()

    @property
    def is_cut(self) -> bool:
        """Whether connections are refused."""
        return self._server is None

    @property
    def in_use(self) -> bool:
        """Whether there is a connection."""
        return bool(self._relays)

    @property
    def is_hung(self) -> bool:
        """Whether nothing passes, in one direction at least."""
        return not (self._out.open.is_set() and self._back.open.is_set())

    def on_sending(self, told: Callable[[], None]) -> None:
        """Have ``told`` called whenever something passes to the target."""
        self._out.passing = told

    @property
    def bytes_to_target(self) -> int:
        """How many bytes have passed to the target."""
        return self._out.passed

    @property
    def bytes_from_target(self) -> int:
        """How many bytes have come back."""
        return self._back.passed

    async def start(self) -> None:
        """Accept connections."""
        self._server = await asyncio.start_server(self._accept, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        """End the link for good; the same as `cut`."""
        await self.cut()

    async def cut(self) -> None:
        """Reset all connections, and refuse new ones."""
        if self._server is None:
            return
        server, self._server = self._server, None
        server.close()
        self.drop()
        await asyncio.gather(*self._relays, return_exceptions=True)
        await server.wait_closed()

    def drop(self) -> None:
        """Reset all connections, as when the modem loses its supply."""
        for relay in self._relays:
            relay.cancel()

    def hang(self, *, replies_only: bool = False) -> None:
        """Let nothing pass any more; with ``replies_only``, nothing that comes from the target."""
        self._back.open.clear()
        if not replies_only:
            self._out.open.clear()

    async def restore(self) -> None:
        """Make the link good again, whatever was wrong."""
        self._out.open.set()
        self._back.open.set()
        if self._server is None:
            await self.start()

    def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self._server is None or not self.modem_up():
            # There is nobody to carry it, or it was accepted in the very moment of the cut.
            _reset(writer)
            return
        self.connections += 1
        relay = asyncio.create_task(self._relay(reader, writer))
        self._relays.add(relay)
        relay.add_done_callback(self._relays.discard)

    async def _relay(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writers = [writer]
        try:
            await self._out.open.wait()
            far_reader, far_writer = await asyncio.open_connection(*self._target)
            writers.append(far_writer)
            async with asyncio.TaskGroup() as ways:
                ways.create_task(self._out.carry(reader, far_writer))
                ways.create_task(self._back.carry(far_reader, writer))
        except* OSError:
            # What breaks at one end breaks at the other.
            pass
        finally:
            for one in writers:
                _reset(one)
            for one in writers:
                with contextlib.suppress(OSError):
                    await one.wait_closed()


def _reset(writer: asyncio.StreamWriter) -> None:
    with contextlib.suppress(OSError):  # it may be closed already
        sock = writer.get_extra_info("socket")
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET_ON_CLOSE)
    writer.transport.abort()
