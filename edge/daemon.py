"""The daemon: puts the rooms together and keeps them going until told to stop.

    bus tasks ──samples──► measuring room ──readings──► journal writer ──► publisher ──► broker
        ▲                        │ battery                                     ▲
        └── outputs ◄───── load shedding, by stages ───────────────────────────┘

Each arrow is a plain call or an event inside one asyncio loop; only the journal's commits run in a
thread of their own. On the way out the tasks end in the order of the arrows, so that every sample
taken becomes a reading kept, and what can still be sent in a few seconds is sent.

All parts share one `StationClock`. While the time is not known, readings are kept with a stamp and
not sent; once it is, the writer puts right what it has, and samples under way are put right here.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping, Sequence
from pathlib import Path
from random import Random

import structlog

from edge import __version__
from edge.clock import Clock, iso_utc
from edge.energy.keeper import STATE as ENERGY
from edge.energy.keeper import Kept
from edge.field.assembly import make_field
from edge.field.switches import GpioFactory
from edge.health import Condition
from edge.host.notify import Notifier
from edge.host.station_clock import AlwaysSynchronised, HostTime, StationClock
from edge.host.status_socket import Description, serve
from edge.host.supervise import Watched, supervise
from edge.journal.journal import Journal
from edge.journal.retention import Retention
from edge.journal.writer import JournalWriter
from edge.load_shedding import LoadShedding
from edge.measure.room import Room, Round, StrangeStateError
from edge.measure.values import State
from edge.readings import Reading, Sample, Stamp
from edge.station.model import Station
from edge.status import Category, Reason
from edge.timekeeper import What
from edge.uplink.broker import BrokerSettings
from edge.uplink.publisher import Publisher

# Real seconds; no time-out of a device in use is as long.
_BUSES_STOP_WITHIN = 10.0

# How often to look whether the computer's clock can be trusted, or was set, in seconds.
_LOOK_AT_CLOCK_EVERY = 10.0

# How often to look whether the battery is still read, in seconds.
_LOOK_AT_BATTERY_EVERY = 60.0

# Under this name the journal keeps, among the channels' states, the true offset of a boot. It is no
# name that a channel can have.
_CLOCK = "@clock"


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
        host_time: HostTime | None = None,
        gpio: GpioFactory | None = None,
    ) -> None:
        """``journal`` is open and will be closed; without a ``broker`` nothing is published.

        ``host_time`` says how far ``clock`` can be trusted; by default it is right. ``gpio`` makes
        the switches of the computer's own outputs; by default real ones.
        """
        self.station = station
        states = journal.states()
        self.clock = StationClock(
            clock,
            host_time or AlwaysSynchronised(),
            station.clock.trust,
            newest_ms=journal.newest_utc_ms(),
            known=_known_time(states),
        )
        self.room, strange = _restored_room(station, states)
        keep = station.journal
        rule = Retention(
            round(keep.keep.value * 1000),
            round(keep.size_limit.value),
            round(keep.thin_to.value * 1000),
        )
        self.writer = JournalWriter(journal, rule, self.clock)
        field = make_field(station, self.clock, self.take_round, gpio=gpio)
        self.buses, self.outputs = field.buses, field.outputs
        self.publisher = self._make_publisher(broker, rng) if broker else None
        self.shedding = self._make_shedding(states)
        self.halted = False
        """Whether the station stopped to have the computer halted, to spare the battery."""
        self.made = 0
        """Readings handed to the journal so far."""
        self.latest: dict[str, Reading] = {}
        """The newest reading of every series."""
        self._journal_path: Path = journal.path
        self._doubted: set[str] = set()
        self._watched = Watched(self.clock)
        self._stop: asyncio.Event | None = None
        self._stopping = False
        self._started = self.clock.monotonic()
        self._notifier = Notifier(environ)
        self._log = structlog.get_logger()
        if strange:
            self._log.warning("channels whose past does not fit begin anew", channels=strange)

    def _make_publisher(self, broker: BrokerSettings, rng: Random) -> Publisher:
        supply = self.station.uplink and self.station.uplink.supply
        outputs = self.outputs
        publisher = Publisher(
            self.station,
            self.writer,
            broker,
            clock=self.clock,
            rng=rng,
            conditions=self._conditions_but_the_link,
            waits_for_time=lambda: not self.clock.trusted,
            supply=(lambda: outputs.powered(supply)) if outputs and supply else None,
        )
        self.writer.on_drop = publisher.dropped
        return publisher

    def _make_shedding(self, states: Mapping[str, State]) -> LoadShedding | None:
        energy = self.station.energy
        if not energy or not energy.stages:
            return None
        return LoadShedding(
            self.station,
            energy,
            self.room,
            buses=self.buses,
            outputs=self.outputs,
            publisher=self.publisher,
            clock=self.clock,
            state=states.get(ENERGY),
        )

    async def run(self, stop: asyncio.Event) -> None:
        """Run until ``stop`` is set, or the battery wants the computer halted; then leave clean.

        In the latter case ``stop`` is set, and `halted`.

        Raises CrashLoopError (in an ExceptionGroup) when a task keeps crashing.
        """
        self._stop = stop
        async with contextlib.AsyncExitStack() as stack:
            stack.push_async_callback(self.writer.close)
            await stack.enter_async_context(serve(self._journal_path, self.describe))
            if self.outputs:
                # However the tasks end; and last, when nobody switches any more.
                stack.push_async_callback(self.outputs.rest)
            async with asyncio.TaskGroup() as group:
                writer = group.create_task(self._supervised("journal", self.writer.run))
                self._look_at_clock()  # before the first sample is stamped
                clock = group.create_task(self._supervised("clock", self._watch_clock))
                async with self._running(group):
                    self._notifier.ready()
                    self._log.info("station running", station=self.station.station.id)
                    await self._notifier.until(stop, self.summary)
                clock.cancel()
                writer.cancel()
        self._log.info("station stopped", made=self.made, newest=self.writer.newest)

    @contextlib.asynccontextmanager
    async def _running(self, group: asyncio.TaskGroup) -> AsyncIterator[None]:
        """Keep all that does I/O running; on the way out, stop it in the river's order."""
        beside = [
            group.create_task(self._supervised(name, run)) for name, run in self._beside().items()
        ]
        buses = [
            group.create_task(self._supervised(f"bus {name}", bus.run))
            for name, bus in self.buses.items()
        ]
        publishing = self.publisher and group.create_task(
            self._supervised("publisher", self.publisher.run)
        )
        yield
        self._stopping = True
        self._notifier.stopping()
        for task in buses:
            task.cancel()
        _, stuck = await asyncio.wait(buses, timeout=_BUSES_STOP_WITHIN)
        if stuck:
            self._log.error("buses do not stop", tasks=len(stuck))
        # What has been added up since the last record would otherwise be a gap after the restart.
        self.writer.submit([], self._states(), self.clock.stamp)
        await self.writer.flush()
        if self.publisher and publishing:
            await self.publisher.stop("halted to spare the battery" if self.halted else "stopped")
            publishing.cancel()
        for task in beside:
            task.cancel()

    def _beside(self) -> dict[str, Callable[[], Awaitable[None]]]:
        """Return the tasks that outputs and load shedding need, by name."""
        tasks: dict[str, Callable[[], Awaitable[None]]] = {}
        if self.outputs:
            tasks["outputs"] = self.outputs.run
        if self.shedding:
            tasks["energy"] = self._watch_battery
        return tasks

    def _states(self) -> dict[str, State]:
        """Return all that must survive a restart, as on the way out."""
        states = self.room.states()
        return states | {ENERGY: self.shedding.keeper.state()} if self.shedding else states

    async def _supervised(self, name: str, run: Callable[[], Awaitable[None]]) -> None:
        await supervise(
            name, run, self.clock, may_end=lambda: self._stopping, watched=self._watched
        )

    def take_round(self, samples: Sequence[tuple[Sample, bool]]) -> None:
        """Turn the samples of a round into readings and hand those to the journal."""
        now_known = [(self.clock.restamped(sample), due) for sample, due in samples]
        made = self.room.take(now_known, timed=self.clock.trusted)
        if self.shedding:
            self._add(made, self.shedding.after_round(now_known))
        self._submit(made)

    def _submit(self, made: Round) -> None:
        for reading in made.readings:
            self._note(reading)
        self.made += len(made.readings)
        if made.readings:
            self.writer.submit(made.readings, made.states, self.clock.stamp)

    # ------------------------------------------------------------------------------- the battery

    async def _watch_battery(self) -> None:
        assert self.shedding is not None  # noqa: S101 - there would be no such task
        while True:
            await self.clock.sleep(_LOOK_AT_BATTERY_EVERY)
            made = Round()
            self._add(made, self.shedding.look())
            self._submit(made)

    def _add(self, made: Round, kept: Kept) -> None:
        """Put what a look at the battery led to beside the readings of its round."""
        made.readings += kept.readings
        if kept.state:
            made.states[ENERGY] = kept.state
        if self.shedding and self.shedding.halts and self._stop and not self.halted:
            self._log.critical("the computer is to be halted, to spare the battery")
            self.halted = True
            self._stop.set()

    # ---------------------------------------------------------------------------------- the time

    async def _watch_clock(self) -> None:
        while True:
            await self.clock.sleep(_LOOK_AT_CLOCK_EVERY)
            self._look_at_clock()

    def _look_at_clock(self) -> None:
        if found := self.clock.look():
            log = self._log.info if found.what is What.TRUSTED else self._log.warning
            log("clock", found=found.words)
        if not self.clock.trusted:
            return
        if found:  # the kernel gives up on a time server long before the next start
            known = Stamp(self.clock.boot, self.clock.offset_ms)
            self.writer.submit([], {_CLOCK: known._asdict()})
        self.writer.give_true_time(self.clock.boot, self.clock.offset_ms)

    # ------------------------------------------------------------------------------ how it stands

    def conditions(self) -> list[Condition]:
        """Say how the parts of the station are."""
        link = [self.publisher.condition()] if self.publisher else []
        clock, journal, *others = self._conditions_but_the_link()
        return [clock, journal, *link, *others]

    def _conditions_but_the_link(self) -> list[Condition]:
        return [
            self.clock.condition(),
            self.writer.condition(),
            *(bus.condition() for bus in self.buses.values()),
            *(self.outputs.conditions() if self.outputs else ()),
            *([self.shedding.condition()] if self.shedding else ()),
            *self._watched.conditions(),
        ]

    def describe(self) -> Description:
        """Say how the station is, for ``livezero status``."""
        info = self.station.station
        since_ms = self.clock.utc_of(self._started)
        doubtful = [one for one in self.latest.values() if not _well(one)]
        return {
            "station": info.id,
            "name": info.name or info.id,
            "version": __version__,
            "pid": os.getpid(),
            "since": iso_utc(since_ms),
            "parts": [one.as_json() for one in self.conditions()],
            "series_good": len(self.latest) - len(doubtful),
            "series": len(self.latest),
            "doubtful": [
                {"series": one.series, "reason": one.reason.slug, "why": one.reason.text}
                for one in doubtful
            ],
        }

    def summary(self) -> str:
        """One line on how the station is."""
        good = sum(_well(reading) for reading in self.latest.values())
        link = self.publisher.summary() if self.publisher else "no broker configured"
        text = f"{good} of {len(self.latest)} series good; {self.writer.newest} readings; {link}"
        unsound = [one.found for one in self._conditions_but_the_link() if not one.sound]
        return "; ".join([text, *unsound])

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


def _restored_room(station: Station, states: Mapping[str, State]) -> tuple[Room, list[str]]:
    """Return the room as an earlier run left it, and the channels that begin anew all the same."""
    senseless: list[str] = []
    while True:
        room = station.room()
        try:
            other_kind = room.restore({n: s for n, s in states.items() if n not in senseless})
        except StrangeStateError as error:
            # A flipped bit on the disk must not keep the station from starting.
            senseless.append(error.channel)
        else:
            return room, senseless + other_kind


def _known_time(states: Mapping[str, State]) -> Stamp | None:
    match states.get(_CLOCK):
        case {"boot": str(boot), "offset_ms": int(offset_ms)}:
            return Stamp(boot, offset_ms)
    return None


def _well(reading: Reading) -> bool:
    # A rate that has not seen its first pulse, say, is no cause for concern. Nor is a total that
    # once had a gap: it says so for ever, and nothing can be done about it now.
    reason = reading.reason
    return reason in {Reason.OK, Reason.GAP_IN_TOTAL} or reason.passes_by_itself
