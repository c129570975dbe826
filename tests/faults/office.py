"""The receiving end of a fault run: a real broker, a link to it that can be cut, a receiver."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Sequence
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


# The broker is to hold back nothing that the receiver could have.
_BROKER_OPTIONS = ["allow_anonymous true", "max_queued_messages 0", "max_inflight_messages 0"]


class Office(Startable):
    """Everything on the far side of one station's uplink; ``directory`` is the broker's.

    ``make_link`` is given the broker's host and port; ``seed`` jitters the receiver's pauses.
    """

    def __init__(
        self,
        station_id: str,
        directory: Path,
        *,
        make_link: Callable[[str, int], CuttableLink] = CuttableLink,
        seed: int = 1,
    ) -> None:
        self.arrivals = Arrivals()
        self.broker = Mosquitto(directory, _BROKER_OPTIONS)
        self.link: CuttableLink
        """Between station and broker; once started."""
        self.receiver: Receiver
        """At the broker; once started."""
        self._station = station_id
        self._make_link = make_link
        self._seed = seed
        self._undo = contextlib.AsyncExitStack()

    async def start(self) -> None:
        """Start broker, receiver and link; return when the receiver listens."""
        async with contextlib.AsyncExitStack() as stack:
            await asyncio.to_thread(self.broker.start)
            stack.push_async_callback(asyncio.to_thread, self.broker.stop)
            self.link = self._make_link(self.broker.host, self.broker.port)
            await stack.enter_async_context(self.link)
            self.receiver = self._receiver()
            stack.push_async_callback(_cancelled, asyncio.create_task(self.receiver.run()))
            await self.receiver_listens()
            self._undo = stack.pop_all()

    async def stop(self) -> None:
        """End all of it."""
        await self._undo.aclose()

    async def receiver_listens(self) -> None:
        """Wait until the receiver is subscribed. Raises TimeoutError."""
        async with asyncio.timeout(_LISTENS_WITHIN_S):
            await self.receiver.listening.wait()

    def _receiver(self) -> Receiver:
        def keep(_station: str, new: Sequence[Journalled]) -> None:
            self.arrivals.take(new)

        return Receiver(
            BrokerSettings(self.broker.host, self.broker.port, f"{self._station}-office"),
            "livezero",
            self._station,
            clock=ScaledClock(SystemClock().utc_ms(), _RECEIVER_SPEED),
            rng=Random(self._seed),
            on_readings=keep,
        )


async def _cancelled(task: asyncio.Task[None]) -> None:
    task.cancel()
    await asyncio.wait({task})
