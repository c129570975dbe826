"""A TCP connection to a device, on the asyncio loop, with the face of a serial port."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import socket
import threading
from collections.abc import Callable

from edge.field.ration import Ration
from edge.status import Reason


class TcpPort:
    """A connection that hands over bytes as they come; open it as often as it has been lost.

    ``connect_within`` is in real seconds. ``on_lost`` is called when the other end closes the
    connection, not when it is closed on purpose.
    """

    def __init__(
        self,
        host: str,
        port: int,
        connect_within: float,
        on_bytes: Callable[[bytes], None],
        on_lost: Callable[[], None] = lambda: None,
    ) -> None:
        self._host = host
        self._port = port
        self._connect_within = connect_within
        self._on_bytes = on_bytes
        self._on_lost = on_lost
        self._connection: _Connection | None = None
        self._look_up: asyncio.Future[list[str]] | None = None

    @property
    def is_open(self) -> bool:
        """Whether the connection stands, as far as is known."""
        return self._connection is not None

    async def open(self) -> Reason:
        """Connect; return OK, or why that failed."""
        self.close()
        try:
            async with asyncio.timeout(self._connect_within):
                for address in await self._addresses():
                    with contextlib.suppress(OSError):
                        await self._connect(address)
                        return Reason.OK
        except (OSError, TimeoutError):
            pass
        return Reason.NO_CONNECTION

    def why_closed(self) -> Reason:
        """Say why the connection does not stand although it should."""
        return Reason.NO_CONNECTION

    def write(self, data: bytes) -> bool:
        """Send bytes; False when there is no connection."""
        if self._connection is None:
            return False
        self._connection.transport.write(data)
        return True

    def close(self) -> None:
        """Let go of the connection; closing a closed one is fine."""
        if self._connection is not None:
            connection, self._connection = self._connection, None
            # Not close(): that would wait for what a hung device does not take.
            connection.transport.abort()

    async def _connect(self, address: str) -> None:
        loop = asyncio.get_running_loop()
        _, connection = await loop.create_connection(
            lambda: _Connection(self._on_bytes, self._lost), address, self._port
        )
        if connection.transport.is_closing():  # taken and dropped in one breath
            raise ConnectionResetError(address)
        self._connection = connection

    def _lost(self, connection: _Connection) -> None:
        if connection is self._connection:
            self._connection = None
            self._on_lost()

    async def _addresses(self) -> list[str]:
        """Return the host's addresses. Raises OSError when its name is not known.

        A look-up can take half a minute and cannot be ended. It goes on when its caller's time is
        up, and the next call waits for the same one, so that there is never more than one.
        """
        if _is_address(self._host):
            return [self._host]
        if self._look_up is None:
            self._look_up = _start_look_up(self._host)
        found = await asyncio.shield(self._look_up)
        self._look_up = None
        if not found:
            raise OSError(self._host)
        return found


class _Connection(asyncio.Protocol):
    transport: asyncio.Transport

    def __init__(
        self, on_bytes: Callable[[bytes], None], on_lost: Callable[[_Connection], None]
    ) -> None:
        self._on_bytes = on_bytes
        self._on_lost = on_lost
        self._ration = Ration()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)  # noqa: S101 - narrows the type
        self.transport = transport

    def data_received(self, data: bytes) -> None:
        loop = asyncio.get_running_loop()
        pause = self._ration.pause_after(loop.time(), len(data))
        if pause > 0:
            self.transport.pause_reading()
            loop.call_later(pause, self.transport.resume_reading)
        self._on_bytes(data)

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002 - asyncio's signature
        self._on_lost(self)


def _is_address(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def _start_look_up(host: str) -> asyncio.Future[list[str]]:
    """Return a future of the host's addresses; there are none when its name is not known.

    In a thread of its own: asyncio's pool is joined at the end of the process, and a look-up
    without a network would hold that up.
    """
    loop = asyncio.get_running_loop()
    future: asyncio.Future[list[str]] = loop.create_future()

    def deliver(found: list[str]) -> None:
        if not future.done():
            future.set_result(found)

    def look_up() -> None:
        found: list[str] = []
        with contextlib.suppress(OSError, UnicodeError):
            infos = socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)
            found = list(dict.fromkeys(str(info[4][0]) for info in infos))
        with contextlib.suppress(RuntimeError):  # the loop may be closed by now
            loop.call_soon_threadsafe(deliver, found)

    threading.Thread(target=look_up, name=f"look up {host}", daemon=True).start()
    return future
