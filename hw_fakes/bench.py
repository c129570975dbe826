"""The bench: the real daemon against simulated hardware made from its own station file.

Theory of operation. One clock, running at a multiple of real time, gives time to the world, to the
daemon and to the receiver; time-outs of devices and of the broker stay real. The daemon publishes
through a link that can be cut, to a broker that can be restarted; a receiver at that broker keeps
books. While a broker is restarted the link stays cut until the receiver listens again: a broker
keeps no messages for a receiver it does not know yet, and the run is to show what the *station*
loses.

At the end the world stands still, so that the counters' last numbers can be polled; then the daemon
is stopped as it is in the field, and the ledger drawn up from its journal and the receiver's books.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import deque
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

from edge.clock import Clock, iso_utc
from edge.daemon import Daemon
from edge.journal.journal import Journal
from edge.readings import Journalled
from edge.station.model import LoopChannel, PulseChannel, Station, Uplink
from edge.units import Dimension
from edge.uplink.receiver import Receiver
from edge.uplink.broker import BrokerSettings
from hw_fakes.broker import EmbeddedBroker
from hw_fakes.clock import ScaledClock
from hw_fakes.hardware import Hardware
from hw_fakes.ledger import Ledger, draw_up
from hw_fakes.link import CuttableLink
from hw_fakes.world import World

DAY_S = 86_400.0

# The world stands still for two intervals of the slowest channel: a poll may just have been made.
_SLOWEST_INTERVALS_TO_SETTLE = 2

# What the receiver is given, in real seconds, to get what the daemon has sent.
_CATCH_UP_S = 20.0


@dataclass(frozen=True, slots=True)
class BenchPlan:
    """What a run is to be. Times of mishaps are shares of the run, from 0 to 1."""

    station: Station
    days: float = 1.0
    speed: float = 1440.0
    seed: int = 1
    broker: tuple[str, int] | None = None
    """Host and port of a broker of one's own; the embedded one by default."""
    dead: Sequence[tuple[str, str]] = ()
    """Bus and name of devices that never answer."""
    link_cut_at: float | None = 0.4
    link_cut_s: float = 3600.0
    broker_restart_at: float | None = 0.7
    start_utc_ms: int = 1_772_348_400_000
    """2026-03-01 00:00 in the zone of the Ash Creek wells."""


@dataclass(slots=True)
class BenchState:
    """A run as it stands, for whoever shows it."""

    plan: BenchPlan
    clock: Clock
    daemon: Daemon
    receiver: Receiver
    link: CuttableLink
    broker_name: str
    events: deque[str] = field(default_factory=lambda: deque(maxlen=8))

    @property
    def share_done(self) -> float:
        """How much of the run is over, from 0 to 1."""
        elapsed_ms = self.clock.utc_ms() - self.plan.start_utc_ms
        return min(1.0, elapsed_ms / (self.plan.days * DAY_S * 1000))

    def note(self, what: str) -> None:
        """Put an event on record, with the time of the simulated world."""
        self.events.append(f"{iso_utc(self.clock.utc_ms())[:16]}Z  {what}")


class StillAfter:
    """A clock for the world that stands still from an instant on."""

    def __init__(self, clock: Clock, end_utc_ms: int) -> None:
        self._clock = clock
        self._end = end_utc_ms

    def utc_ms(self) -> int:
        """Milliseconds since 1970-01-01 00:00 UTC, up to the end."""
        return min(self._clock.utc_ms(), self._end)

    def monotonic(self) -> float:
        """As the clock behind it."""
        return self._clock.monotonic()

    async def sleep(self, seconds: float) -> None:
        """As the clock behind it."""
        await self._clock.sleep(seconds)


async def run_bench(
    plan: BenchPlan, directory: Path, show: Callable[[BenchState], Awaitable[None]]
) -> Ledger:
    """Run the plan in ``directory`` (for the journal and the ports); return the ledger.

    ``show`` is run beside it, and cancelled at the end.
    """
    clock = ScaledClock(plan.start_utc_ms, plan.speed)
    end_ms = plan.start_utc_ms + round(plan.days * DAY_S * 1000)
    world = World(plan.seed, plan.start_utc_ms)
    async with contextlib.AsyncExitStack() as stack:
        hardware = Hardware(plan.station, world, StillAfter(clock, end_ms), directory)
        await stack.enter_async_context(hardware)
        for bus, device in plan.dead:
            hardware.faults(bus, device).dead = True
        embedded = None if plan.broker else await stack.enter_async_context(EmbeddedBroker())
        host, port = plan.broker or ("127.0.0.1", embedded.port if embedded else 0)
        link = await stack.enter_async_context(CuttableLink(host, port))
        arrived: dict[int, Journalled] = {}
        receiver = _receiver(plan, host, port, clock, arrived)
        await stack.enter_async_context(_running(receiver.run()))
        await receiver.listening.wait()
        daemon = _daemon(plan, hardware.station, link.port, clock, directory)
        state = BenchState(
            plan, clock, daemon, receiver, link, f"{host}:{port}" if plan.broker else "embedded"
        )
        stop = asyncio.Event()
        async with _running(daemon.run(stop)) as running, _running(show(state)):
            await _mishaps(state, embedded)
            await _until(clock, end_ms)
            state.note("the world stands still")
            await clock.sleep(_SLOWEST_INTERVALS_TO_SETTLE * _slowest_interval_s(plan.station))
            stop.set()
            await running
        async with asyncio.timeout(_CATCH_UP_S):
            await receiver.catch_up()
        return _ledger(state, hardware, directory, arrived, end_ms)


async def _mishaps(state: BenchState, embedded: EmbeddedBroker | None) -> None:
    plan, clock, link = state.plan, state.clock, state.link
    run_ms = plan.days * DAY_S * 1000
    if plan.link_cut_at is not None:
        await _until(clock, plan.start_utc_ms + round(plan.link_cut_at * run_ms))
        state.note("link cut")
        await link.cut()
        await clock.sleep(plan.link_cut_s)
        await link.restore()
        state.note("link restored")
    if plan.broker_restart_at is not None and embedded is not None:
        await _until(clock, plan.start_utc_ms + round(plan.broker_restart_at * run_ms))
        await link.cut()
        await state.receiver.catch_up()
        state.note("broker stopped")
        await embedded.restart()
        await state.receiver.listening.wait()
        await link.restore()
        state.note("broker started again")


def _receiver(
    plan: BenchPlan, host: str, port: int, clock: Clock, arrived: dict[int, Journalled]
) -> Receiver:
    def keep(_station: str, new: Sequence[Journalled]) -> None:
        arrived.update((reading.seq, reading) for reading in new)

    station = plan.station.station.id
    return Receiver(
        BrokerSettings(host, port, f"{station}-bench-receiver"),
        _uplink(plan.station).topic_prefix,
        station,
        clock=clock,
        rng=Random(plan.seed),
        on_readings=keep,
    )


def _daemon(plan: BenchPlan, station: Station, port: int, clock: Clock, directory: Path) -> Daemon:
    series = [one for pipeline in station.pipelines().values() for one in pipeline.series]
    return Daemon(
        station.model_copy(update={"uplink": _uplink(station)}),
        Journal(directory / "bench.sqlite", series),
        BrokerSettings("127.0.0.1", port, station.station.id),
        clock=clock,
        environ={},
        rng=Random(plan.seed + 1),
    )


def _uplink(station: Station) -> Uplink:
    return station.uplink or Uplink(host="127.0.0.1")


def _ledger(
    state: BenchState,
    hardware: Hardware,
    directory: Path,
    arrived: dict[int, Journalled],
    end_ms: int,
) -> Ledger:
    station = state.plan.station
    books = state.receiver.library.books[station.station.id]
    meters = {
        name: channel.meter()
        for name, channel in station.channels.items()
        if isinstance(channel, PulseChannel)
    }
    counted = {name: books.latest.get(f"{name}.total") for name in meters}
    pulses_station = sum(
        meters[name].pulses(reading.value)
        for name, reading in counted.items()
        if reading and reading.value is not None
    )
    journal = Journal(directory / "bench.sqlite")
    try:
        return draw_up(
            state.daemon.made,
            journal.fetch(1, journal.newest),
            books,
            arrived,
            truth=lambda series, utc_ms: hardware.truth(series, min(utc_ms, end_ms)),
            levels=_levels(station),
            pulses=(sum(hardware.pulses(name) for name in meters), pulses_station),
            notes=_notes(state),
        )
    finally:
        journal.close()


def _levels(station: Station) -> dict[str, float]:
    return {
        name: abs(channel.range[1].value - channel.range[0].value)
        for name, channel in station.channels.items()
        if isinstance(channel, LoopChannel) and channel.range[0].dimension is Dimension.LENGTH
    }


def _notes(state: BenchState) -> dict[str, Any]:
    plan = state.plan
    return {
        "days": plan.days,
        "speed": plan.speed,
        "seed": plan.seed,
        "broker": state.broker_name,
        "link_cuts": int(plan.link_cut_at is not None),
        "broker_restarts": int(plan.broker_restart_at is not None and plan.broker is None),
    }


def _slowest_interval_s(station: Station) -> float:
    return max(channel.record_ms for channel in station.channels.values()) / 1000


async def _until(clock: Clock, utc_ms: int) -> None:
    await clock.sleep((utc_ms - clock.utc_ms()) / 1000)


@contextlib.asynccontextmanager
async def _running(work: Awaitable[None]) -> AsyncIterator[asyncio.Future[None]]:
    """Run something beside the body; on the way out end it, and raise what it raised."""
    task = asyncio.ensure_future(work)
    try:
        yield task
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
