"""One simulated bus each: its devices, what they hang on, and where the station finds it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from edge.clock import SystemClock
from edge.station.model import LineBus, ModbusRtuBus, ModbusTcpBus
from hw_fakes.line_device import LineSlave, LineUnit
from hw_fakes.modbus_device import RtuSlave, TcpSlave
from hw_fakes.modbus_unit import ModbusUnit
from hw_fakes.ports import PtyPort


class RtuWire:
    """Modbus units on a pseudo-terminal."""

    def __init__(self, bus: ModbusRtuBus, units: Mapping[str, ModbusUnit], path: Path) -> None:
        self.units = units
        self.port = PtyPort(path)
        self._bus = bus
        self._slave = RtuSlave(self.port, units.values())

    @property
    def bus(self) -> ModbusRtuBus:
        """The bus as the station has to see it."""
        return self._bus.model_copy(update=_on_pty(self.port, self._bus.framing))

    async def start(self) -> None:
        """Plug the adapter in."""
        self.port.plug()

    async def stop(self) -> None:
        """Pull the adapter out."""
        self._slave.close()
        self.port.unplug()


class TcpWire:
    """Modbus units behind a TCP address."""

    def __init__(self, bus: ModbusTcpBus, units: Mapping[str, ModbusUnit]) -> None:
        self.units = units
        self.port = TcpSlave(units.values())
        self._bus = bus

    @property
    def bus(self) -> ModbusTcpBus:
        """The bus as the station has to see it; not before `start`."""
        return self._bus.model_copy(update={"host": self.port.host, "port": self.port.port})

    async def start(self) -> None:
        """Accept connections."""
        await self.port.start()

    async def stop(self) -> None:
        """Refuse connections."""
        await self.port.stop()


class LineWire:
    """Line devices on a pseudo-terminal.

    Those that talk unasked keep to real time, like the time-out by which they are judged.
    """

    def __init__(self, bus: LineBus, units: Mapping[str, LineUnit], path: Path) -> None:
        self.units = units
        self.port = PtyPort(path)
        self._bus = bus
        self._slave = LineSlave(self.port, list(units.values()), SystemClock())

    @property
    def bus(self) -> LineBus:
        """The bus as the station has to see it."""
        return self._bus.model_copy(update=_on_pty(self.port, self._bus.framing))

    async def start(self) -> None:
        """Plug the adapter in, and let those talk that talk unasked."""
        self.port.plug()
        self._slave.start()

    async def stop(self) -> None:
        """Pull the adapter out."""
        await self._slave.close()
        self.port.unplug()


Wire = RtuWire | TcpWire | LineWire


def _on_pty(port: PtyPort, framing: str) -> dict[str, str]:
    # A pseudo-terminal refuses parity.
    return {"port": str(port.path), "framing": f"{framing[0]}N{framing[2]}"}
