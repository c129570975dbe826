"""What an output is switched by: one small protocol, and a coil of a Modbus device as a relay."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import Protocol

from edge.field.modbus import ModbusDriver
from edge.station.outputs import CoilOutput, GpioOutput
from edge.status import Reason


class Switch(Protocol):
    """Switches one output. "On" is always what the station file calls on, however it is wired.

    A switch never raises for anything a device, a cable or a driver may do: it answers with a
    `Reason`. It knows nothing of schedules and least times; that is `Outputs`' part.
    """

    @property
    def board(self) -> Hashable:
        """What it is a part of: the outputs of one board fail together."""
        ...

    async def set(self, on: bool) -> Reason:
        """Switch on or off; return OK once that is acknowledged, or why it is not."""
        ...

    async def get(self) -> bool | Reason | None:
        """Return how the output is found, or why that is not known; None: it cannot be asked."""
        ...

    async def close(self) -> None:
        """Let go of whatever it holds; what is switched stays as it is, as far as it can."""
        ...


GpioFactory = Callable[[GpioOutput], Switch]
"""Makes the switch for an output on a GPIO line."""


class CoilSwitch:
    """A relay that is a coil of a Modbus device, on a bus whose driver it shares with others.

    A port that is not open is opened. A device that failed last time is tried once, not
    ``retries`` times over.
    """

    def __init__(self, settings: CoilOutput, driver: ModbusDriver, tries: int) -> None:
        self._settings = settings
        self._driver = driver
        self._tries = tries
        self._failed = False

    @property
    def board(self) -> Hashable:
        """See `Switch`."""
        return self._settings.bus, self._settings.device

    async def set(self, on: bool) -> Reason:
        """See `Switch`."""
        if (reason := await self._opened()) is not Reason.OK:
            return reason
        coil = on != self._settings.inverted
        reason = await self._driver.write_coil(
            self._settings.device, self._settings.register_, on=coil, tries=self._tries_now
        )
        self._failed = reason is not Reason.OK
        return reason

    async def get(self) -> bool | Reason | None:
        """See `Switch`. A feedback input is believed rather than the coil."""
        settings = self._settings
        if settings.feedback is not None:
            return await self._read("discrete", settings.feedback)
        if not settings.read_back:
            return None
        return await self.coil()

    async def coil(self) -> bool | Reason:
        """Return what the coil says, in terms of the output, or why that is not known."""
        bit = await self._read("coil", self._settings.register_)
        return bit if isinstance(bit, Reason) else bit != self._settings.inverted

    async def close(self) -> None:
        """See `Switch`."""
        await self._driver.close()

    async def _read(self, table: str, register: int) -> bool | Reason:
        if (reason := await self._opened()) is not Reason.OK:
            return reason
        bit = await self._driver.read_bit(
            self._settings.device, table, register, tries=self._tries_now
        )
        self._failed = isinstance(bit, Reason)
        return bit

    async def _opened(self) -> Reason:
        return Reason.OK if self._driver.connected else await self._driver.open()

    @property
    def _tries_now(self) -> int:
        return 1 if self._failed else self._tries
