"""The daemon: puts the rooms together and keeps them going until told to stop.

    bus tasks ──samples──► measuring room ──readings──► journal writer ──► publisher ──► broker

Each arrow is a plain call or an event inside one asyncio loop; only the journal's commits run in a
thread of their own. On the way out the tasks end in the order of the arrows, so that every sample
taken becomes a reading kept, and what can still be sent in a few seconds is sent.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Mapping, Sequence
from random import Random

import structlog

from edge.clock import Clock
from edge.field.assembly import make_bus_tasks
from edge.host.notify import Notifier
from edge.host.supervise import supervise
from edge.journal.journal import Journal
from edge.journal.retention import Retention
from edge.journal.writer import JournalWriter
from edge.readings import Reading, Sample
from edge.station.model import Station
from edge.status import Category, Reason
from edge.uplink.broker import BrokerSettings
from edge.uplink.publisher import Publisher

# Real seconds; no time-out of a device in use is as long.
_BUSES_STOP_WITHIN = 10.0


class Daemon:
    """One station, from its devices to its broker."""

    def __init__(
        self,
        station: Station,
        journal: Journal,
        broker: BrokerSettings | None,
        *,
        clock: Clock,
        environ: Mapping[str, str],
        rng: Random,
    ) -> None:
        """``journal`` is open and will be closed; without a ``broker`` nothing is published."""
        self.station = station
        self.room = station.room()
        strange = self.room.restore(journal.states())
        keep = station.journal
        rule = Retention(round(keep.keep.value * 1000), round(keep.size_limit.value))
        self.writer = JournalWriter(journal, rule, clock)
        self.buses = make_bus_tasks(station, clock, self.take_round)
        self.publisher = (
            None
            if broker is None
            else Publisher(station, self.writer, broker, clock=clock, rng=rng)
        )
        if self.publisher:
            self.writer.on_drop = self.publisher.dropped
        self.made = 0
        """Readings handed to the journal so far."""
        self.latest: dict[str, Reading] = {}
        """The newest reading of every series."""
        self._doubted: set[str] = set()
        self._clock = clock
        self._notifier = Notifier(environ)
        self._log = structlog.get_logger()
        if strange:
            self._log.warning("channels of another kind than before begin anew", channels=strange)

    async def run(self, stop: asyncio.Event) -> None:
        """Run until ``stop`` is set, then leave clean.

        Raises CrashLoopError (in an ExceptionGroup) when a task keeps crashing.
        """
        async with contextlib.AsyncExitStack() as stack:
            stack.push_async_callback(self.writer.close)
            async with asyncio.TaskGroup() as group:
                writer = group.create_task(supervise("journal", self.writer.run, self._clock))
                async with self._running(group):
                    self._notifier.ready()
                    self._log.info("station running", station=self.station.station.id)
                    await self._until(stop)
                writer.cancel()
        self._log.info("station stopped", made=self.made, newest=self.writer.newest)

    @contextlib.asynccontextmanager
    async def _running(self, group: asyncio.TaskGroup) -> AsyncIterator[None]:
        """Keep buses and publisher running; on the way out, stop them in the river's order."""
        buses = [
            group.create_task(supervise(f"bus {name}", bus.run, self._clock))
            for name, bus in self.buses.items()
        ]
        publishing = self.publisher and group.create_task(
            supervise("publisher", self.publisher.run, self._clock)
        )
        yield
        self._notifier.stopping()
        for task in buses:
            task.cancel()
        _, stuck = await asyncio.wait(buses, timeout=_BUSES_STOP_WITHIN)
        if stuck:
            self._log.error("buses do not stop", tasks=len(stuck))
        # What has been added up since the last record would otherwise be a gap after the restart.
        self.writer.submit([], self.room.states())
        await self.writer.flush()
        if self.publisher and publishing:
            await self.publisher.stop()
            publishing.cancel()

    async def _until(self, stop: asyncio.Event) -> None:
        """Wait for ``stop``, giving the service manager signs of life meanwhile."""
        while not stop.is_set():
            self._notifier.alive()
            self._notifier.status(self.summary())
            # Real seconds: the service manager has no other.
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(self._notifier.watchdog_period or 30.0):
                    await stop.wait()

    def take_round(self, samples: Sequence[tuple[Sample, bool]]) -> None:
        """Turn the samples of a round into readings and hand those to the journal."""
        made = self.room.take(samples)
        for reading in made.readings:
            self._note(reading)
        self.made += len(made.readings)
        if made.readings:
            self.writer.submit(made.readings, made.states)

    def summary(self) -> str:
        """One line on how the station is."""
        good = sum(reading.reason is Reason.OK for reading in self.latest.values())
        link = self.publisher.summary() if self.publisher else "no broker configured"
        return f"{good} of {len(self.latest)} series good; {self.writer.newest} readings; {link}"

    def _note(self, reading: Reading) -> None:
        """Remember the reading; log a change of status that its bus does not log already."""
        before = self.latest.get(reading.series)
        self.latest[reading.series] = reading
        if before and before.reason is reading.reason:
            return
        if reading.reason.category is Category.FUNCTION_CHECK:
            return  # such as the first rate after a start: it passes by itself
        if reading.reason is not Reason.OK and not reading.reason.of_the_line:
            self._doubted.add(reading.series)
            self._log.warning(
                "value in doubt",
                series=reading.series,
                reason=reading.reason.slug,
                why=reading.reason.text,
            )
        elif reading.reason is Reason.OK and reading.series in self._doubted:
            self._doubted.discard(reading.series)
            self._log.info("value good again", series=reading.series)
