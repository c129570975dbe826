"""The station's computer: runs the daemon while it has power, and anew when that is back.

Theory of operation. A daemon that has itself halted leaves the computer off, and nobody on site. A
halted computer does not start by itself: the simulated box has a relay that takes its supply away,
and gives it back above the controller's reconnect voltage; where the station file knows of no such
voltage, above the one at which the halting stage is left. A daemon whose controller cuts off the
loads ends at once, wherever it is, and the relays let go.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from edge.clock import Clock
from edge.daemon import Daemon
from edge.station.energy import EnergySection
from hw_fakes.hardware import Hardware
from hw_fakes.power import SolarPower

# How often the battery is looked at, in seconds of the simulated world.
_LOOK_EVERY_S = 120.0


def wakes_above(energy: EnergySection | None) -> float:
    """Return the voltage above which a halted computer is started again; nought for any."""
    if energy is None:
        return 0.0
    controller = energy.controller
    if controller is not None and controller.reconnect is not None:
        return controller.reconnect.value
    return energy.stages[-1].restore.value if energy.stages else 0.0


class Computer:
    """Runs one daemon after the other on the same journal; ``make`` makes them.

    ``clock`` is the world's, ``note`` takes what happens in words, ``observe`` is called with every
    daemon when it has been made and when it has ended.
    """

    def __init__(
        self,
        make: Callable[[], Daemon],
        hardware: Hardware,
        power: SolarPower,
        clock: Clock,
        *,
        note: Callable[[str], None],
        observe: Callable[[Daemon], None],
    ) -> None:
        self.daemon = make()
        """The present daemon, or the last one."""
        self.on = True
        """Whether the computer is up."""
        self.halts = 0
        self.power_cuts = 0
        self._made_before = 0
        self._make = make
        self._hardware = hardware
        self._power = power
        self._clock = clock
        self._note = note
        self._observe = observe
        self._wakes_above = wakes_above(hardware.station.energy)

    @property
    def made(self) -> int:
        """Readings made by all daemons so far."""
        return self._made_before + self.daemon.made

    async def run(self, stop: asyncio.Event) -> None:
        """Run daemons until ``stop`` is set; the last one leaves clean."""
        while True:
            self._observe(self.daemon)
            await self._run_once(stop)
            self._observe(self.daemon)
            if stop.is_set():
                return
            self._go_off()
            if not await self._power_is_back(stop):
                return
            self._made_before += self.daemon.made
            self.daemon = self._make()
            self._go_on()

    async def _run_once(self, stop: asyncio.Event) -> None:
        told = asyncio.Event()
        async with asyncio.TaskGroup() as group:
            running = group.create_task(self.daemon.run(told))
            watching = [
                group.create_task(_pass_on(stop, told)),
                group.create_task(self._cut_with_power(running)),
            ]
            await asyncio.wait([running])
            for task in watching:
                task.cancel()

    async def _cut_with_power(self, running: asyncio.Task[None]) -> None:
        while self._power.connected(self._now):
            await self._clock.sleep(_LOOK_EVERY_S)
        running.cancel()

    def _go_off(self) -> None:
        self.on = False
        if self.daemon.halted:
            self.halts += 1
            self._note("the computer is halted, to spare the battery")
        else:
            self.power_cuts += 1
            self._note("the controller has cut off the loads")
        self._hardware.loads.halt(self._now)

    def _go_on(self) -> None:
        self.on = True
        self._hardware.loads.halt(self._now, halted=False)
        self._note("the computer has power again, and starts")

    async def _power_is_back(self, stop: asyncio.Event) -> bool:
        """Wait until the loads are given back; False when it is over before."""
        while not stop.is_set():
            if not self._power.connected(self._now):
                self._hardware.relays.lose_power()
            elif self._power.battery_v(self._now) > self._wakes_above:
                return True
            await self._clock.sleep(_LOOK_EVERY_S)
        return False

    @property
    def _now(self) -> float:
        return self._clock.utc_ms() / 1000


async def _pass_on(stop: asyncio.Event, told: asyncio.Event) -> None:
    await stop.wait()
    told.set()
