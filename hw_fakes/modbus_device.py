"""Simulated Modbus devices on a wire: units behind a serial port, or behind a TCP address."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable

from hw_fakes.modbus_unit import (
    NO_SUCH_TARGET,
    ModbusUnit,
    RtuFraming,
    TcpFraming,
    exception_reply,
    split_rtu_requests,
    split_tcp_requests,
)
from hw_fakes.ports import PtyPort
from hw_fakes.sending import Sender


class RtuSlave:
    """All the units on one serial line."""

    def __init__(self, port: PtyPort, units: Iterable[ModbusUnit]) -> None:
        self.units = {unit.number: unit for unit in units}
        self._sender = Sender(port.write)
        self._heard = b""
        port.attach(self._bytes)

    def close(self) -> None:
        """Forget replies not yet sent."""
        self._sender.cancel()

    def _bytes(self, data: bytes) -> None:
        requests, self._heard = split_rtu_requests(self._heard + data)
        for number, pdu in requests:
            unit = self.units.get(number)
            if unit is not None:
                self._sender.send(unit.answer(pdu, RtuFraming()))


class TcpSlave:
    """All the units behind one TCP address on the loopback interface.

    The port is chosen by the system at the first `start` and kept from then on.
    """

    host = "127.0.0.1"

    def __init__(self, units: Iterable[ModbusUnit]) -> None:
        self.units = {unit.number: unit for unit in units}
        self.port = 0
        self._server: asyncio.Server | None = None
        self._connections: set[_Connection] = set()

    async def start(self) -> None:
        """Accept connections."""
        self._server = await asyncio.get_running_loop().create_server(
            lambda: _Connection(self.units, self._connections), self.host, self.port
        )
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        """Drop all connections and refuse new ones."""
        if self._server is None:
            return
        server, self._server = self._server, None
        server.close()
        closing = [connection.abort() for connection in self._connections]
        await asyncio.gather(*closing)
        await server.wait_closed()


class _Connection(asyncio.Protocol):
    def __init__(self, units: dict[int, ModbusUnit], others: set[_Connection]) -> None:
        self._units = units
        self._others = others
        self._heard = b""
        self._closed = asyncio.get_running_loop().create_future()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)  # noqa: S101 - narrows the type
        self._transport = transport
        self._sender = Sender(transport.write)
        self._others.add(self)

    def data_received(self, data: bytes) -> None:
        try:
            requests, self._heard = split_tcp_requests(self._heard + data)
        except ValueError:
            self._transport.abort()
            return
        for transaction, number, pdu in requests:
            framing = TcpFraming(transaction)
            unit = self._units.get(number)
            if unit is None:
                self._transport.write(framing.wrap(number, exception_reply(pdu[0], NO_SUCH_TARGET)))
            else:
                self._sender.send(unit.answer(pdu, framing))

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002 - asyncio's signature
        self._sender.cancel()
        self._others.discard(self)
        self._closed.set_result(None)

    def abort(self) -> asyncio.Future[None]:
        self._transport.abort()
        return self._closed
