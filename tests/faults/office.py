"""The receiving end of a fault run: a real broker, a link to it that can be cut, a receiver."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Sequence
from pathlib import Path
from random import Random

from edge.clock import SystemClock
from edge.readings import Journalled
from edge.uplink.broker import BrokerSettings
from edge.uplink.receiver import Receiver
from hw_fakes.clock import ScaledClock
from hw_fakes.link import CuttableLink
from hw_fakes.startable import Startable
from tests.conftest import Mosquitto
from tests.faults.arrivals import Arrivals

# The receiver's pauses before it connects again are cut short: it is not what is tested.
_RECEIVER_SPEED = 20.0
_LISTENS_WITHIN_S = 30.0


class Office(Startable):
    """Everything on the far side of one station's uplink; ``directory`` is the broker's."""

    def __init__(self, station_id: str, directory: Path) -> None:
        self.arrivals = Arrivals()
        self.link: CuttableLink
        """Between station and broker; once started."""
        self.receiver: Receiver
        """At the broker; once started."""
        self._station = station_id
        self._broker = Mosquitto(directory, ["allow_anonymous true", "max_queued_messages 0"])
        self._undo = contextlib.AsyncExitStack()

    async def start(self) -> None:
        """Start broker, receiver and link; return when the receiver listens."""
        async with contextlib.AsyncExitStack() as stack:
            await asyncio.to_thread(self._broker.start)
            stack.push_async_callback(asyncio.to_thread, self._broker.stop)
            self.link = CuttableLink(self._broker.host, self._broker.port)
            await stack.enter_async_context(self.link)
            self.receiver = self._receiver()
            stack.push_async_callback(_cancelled, asyncio.create_task(self.receiver.run()))
            async with asyncio.timeout(_LISTENS_WITHIN_S):
                await self.receiver.listening.wait()
            self._undo = stack.pop_all()

    async def stop(self) -> None:
        """End all of it."""
        await self._undo.aclose()

    def _receiver(self) -> Receiver:
        def keep(_station: str, new: Sequence[Journalled]) -> None:
            self.arrivals.take(new)

        return Receiver(
            BrokerSettings(self._broker.host, self._broker.port, f"{self._station}-office"),
            "livezero",
            self._station,
            clock=ScaledClock(SystemClock().utc_ms(), _RECEIVER_SPEED),
            rng=Random(1),
            on_readings=keep,
        )


async def _cancelled(task: asyncio.Task[None]) -> None:
    task.cancel()
    await asyncio.wait({task})
