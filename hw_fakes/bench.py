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
from collections.abc import Callable, Coroutine, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from pathlib import Path
from random import Random
from typing import Any
from zoneinfo import ZoneInfo

from edge.clock import Clock
from edge.daemon import Daemon
from edge.journal.journal import Journal
from edge.measure.meter import Meter
from edge.readings import Journalled
from edge.station.measured import LoopChannel, PulseChannel
from edge.station.model import Station, Uplink
from edge.units import Dimension
from edge.uplink.books import Books
from edge.uplink.broker import BrokerSettings
from edge.uplink.receiver import Receiver
from hw_fakes.broker import EmbeddedBroker
from hw_fakes.clock import ScaledClock
from hw_fakes.faults import FaultKind
from hw_fakes.hardware import Hardware
from hw_fakes.ledger import Ledger, draw_up
from hw_fakes.link import CuttableLink
from hw_fakes.world import World

DAY_S = 86_400.0
JOURNAL = "bench.sqlite"

# The world stands still for two intervals of the slowest channel: a poll may just have been made.
_SLOWEST_INTERVALS_TO_SETTLE = 2

# A link is cut for this share of the run at most, however short the run.
_LONGEST_CUT = 0.1

_BROKER_ANSWERS_WITHIN = 10.0

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
    first_day: date = date(2026, 3, 1)
    """The run begins with this day, where the station is."""

    @property
    def start_utc_ms(self) -> int:
        """When the run begins."""
        zone = ZoneInfo(self.station.station.timezone)
        return round(datetime.combine(self.first_day, time(), zone).timestamp() * 1000)

    @property
    def end_utc_ms(self) -> int:
        """When the run ends."""
        return self.start_utc_ms + round(self.days * DAY_S * 1000)


@dataclass(slots=True)
class BenchState:
    """A run as it stands, for whoever shows it."""

    plan: BenchPlan
    clock: Clock
    daemon: Daemon
    receiver: Receiver
    link: CuttableLink
    broker_name: str
    events: list[str] = field(default_factory=list)

    @property
    def share_done(self) -> float:
        """How much of the run is over, from 0 to 1."""
        plan = self.plan
        elapsed_ms = self.clock.utc_ms() - plan.start_utc_ms
        return min(1.0, elapsed_ms / (plan.end_utc_ms - plan.start_utc_ms))

    def note(self, what: str) -> None:
        """Put an event on record, with the time of the simulated world."""
        self.events.append(f"{self.local_time}  {what}")

    @property
    def local_time(self) -> str:
        """The time of the simulated world, where the station is."""
        zone = ZoneInfo(self.plan.station.station.timezone)
        return f"{datetime.fromtimestamp(self.clock.utc_ms() / 1000, zone):%Y-%m-%d %H:%M}"


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


class BenchError(Exception):
    """A run cannot begin; says why."""


Show = Callable[[BenchState], Coroutine[None, None, None]]


async def run_bench(plan: BenchPlan, directory: Path, show: Show) -> Ledger:
    """Run the plan in ``directory`` (for the journal and the ports); return the ledger.

    ``show`` is run beside it, and cancelled at the end. Raises BenchError when there is no broker,
    and ExceptionGroup when the daemon gives up or the receiver cannot get what was sent.
    """
    async with contextlib.AsyncExitStack() as stack:
        # Whatever takes its time is done before the clock starts: a second is half an hour here.
        embedded = None if plan.broker else await stack.enter_async_context(EmbeddedBroker())
        journal = Journal(directory / JOURNAL, plan.station.series())
        host, port = (embedded.host, embedded.port) if embedded else plan.broker or ("", 0)
        await _look_for_broker(host, port)
        link = await stack.enter_async_context(CuttableLink(host, port))
        clock = ScaledClock(plan.start_utc_ms, plan.speed)
        world = World(plan.seed, plan.start_utc_ms)
        still = StillAfter(clock, plan.end_utc_ms)
        hardware = Hardware(plan.station, world, still, directory)
        await stack.enter_async_context(hardware)
        for bus, device in plan.dead:
            hardware.faults(bus, device).set(FaultKind.DEAD)
        arrived: dict[int, Journalled] = {}
        receiver = _receiver(plan, host, port, clock, arrived)
        daemon = _daemon(plan, hardware.station, journal, link.port, clock)
        state = BenchState(plan, clock, daemon, receiver, link, "embedded" if embedded else host)
        stop = asyncio.Event()
        async with asyncio.TaskGroup() as group:
            beside = [group.create_task(receiver.run()), group.create_task(show(state))]
            # A broker keeps nothing for a receiver that has not subscribed yet.
            await receiver.listening.wait()
            running = group.create_task(daemon.run(stop))
            await _mishaps(state, embedded)
            await _until(clock, plan.end_utc_ms)
            state.note("the world stands still")
            await clock.sleep(_SLOWEST_INTERVALS_TO_SETTLE * _slowest_interval_s(plan.station))
            stop.set()
            await running
            async with asyncio.timeout(_CATCH_UP_S):
                await receiver.catch_up()
            for task in beside:
                task.cancel()
        return _ledger(state, hardware, directory, arrived)


async def _look_for_broker(host: str, port: int) -> None:
    try:
        async with asyncio.timeout(_BROKER_ANSWERS_WITHIN):
            _, writer = await asyncio.open_connection(host, port)
    except (OSError, TimeoutError) as error:
        why = getattr(error, "strerror", None) or "no answer"
        raise BenchError(f"found no broker at {host}:{port}: {why}") from None
    writer.close()
    await writer.wait_closed()


async def _mishaps(state: BenchState, embedded: EmbeddedBroker | None) -> None:
    plan, clock, link = state.plan, state.clock, state.link
    run_ms = plan.end_utc_ms - plan.start_utc_ms
    if plan.link_cut_at is not None:
        await _until(clock, plan.start_utc_ms + round(plan.link_cut_at * run_ms))
        # The way back fails first, as radio links do: what is sent now arrives, but nobody is told,
        # so it will be sent again.
        link.hang(replies_only=True)
        await clock.sleep(2 * _uplink(plan.station).publish.value)
        state.note("link cut")
        await link.cut()
        await clock.sleep(min(plan.link_cut_s, _LONGEST_CUT * run_ms / 1000))
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


def _daemon(plan: BenchPlan, station: Station, journal: Journal, port: int, clock: Clock) -> Daemon:
    return Daemon(
        station.model_copy(update={"uplink": _uplink(station)}),
        journal,
        BrokerSettings("127.0.0.1", port, station.station.id),
        clock=clock,
        environ={},
        rng=Random(plan.seed + 1),
    )


def _uplink(station: Station) -> Uplink:
    uplink = station.uplink or Uplink(host="127.0.0.1")
    # Nobody who listens to the real station must take this for it.
    return uplink.model_copy(update={"topic_prefix": f"bench/{uplink.topic_prefix}"})


def _ledger(
    state: BenchState,
    hardware: Hardware,
    directory: Path,
    arrived: dict[int, Journalled],
) -> Ledger:
    plan, station = state.plan, state.plan.station
    books = state.receiver.library.books.get(station.station.id) or Books()
    # Where a volume is not a whole number of pulses, the ledger has no pulses to compare.
    volume_per_pulse = {
        name: meter.volume_per_pulse
        for name, channel in station.measured.items()
        if isinstance(channel, PulseChannel)
        and (channel.bus, channel.device) not in plan.dead
        and isinstance(meter := channel.meter(), Meter)
    }
    counted = {name: books.latest.get(f"{name}.total") for name in volume_per_pulse}
    pulses_station = sum(
        round(reading.value / volume_per_pulse[name])
        for name, reading in counted.items()
        if reading and reading.value is not None
    )
    journal = Journal(directory / JOURNAL)
    try:
        return draw_up(
            state.daemon.made,
            journal.fetch(1, journal.newest),
            books,
            arrived,
            truth=lambda series, utc_ms: hardware.truth(series, min(utc_ms, plan.end_utc_ms)),
            levels=_levels(plan),
            pulses=(sum(hardware.pulses(name) for name in volume_per_pulse), pulses_station),
            malformed=state.receiver.library.malformed,
            faults=bool(plan.dead),
            notes=_notes(state),
        )
    finally:
        journal.close()


def _levels(plan: BenchPlan) -> dict[str, float]:
    """Return the range in metres of every level transmitter that answers."""
    return {
        name: abs(channel.range[1].value - channel.range[0].value)
        for name, channel in plan.station.measured.items()
        if isinstance(channel, LoopChannel)
        and channel.range
        and channel.range[0].dimension is Dimension.LENGTH
        and (channel.bus, channel.device) not in plan.dead
    }


def _notes(state: BenchState) -> dict[str, Any]:
    plan = state.plan
    return {
        "events": state.events,
        "days": plan.days,
        "speed": plan.speed,
        "seed": plan.seed,
        "broker": state.broker_name,
        "link_cuts": int(plan.link_cut_at is not None),
        "broker_restarts": int(plan.broker_restart_at is not None and plan.broker is None),
    }


def _slowest_interval_s(station: Station) -> float:
    return max(channel.record_ms for channel in station.measured.values()) / 1000


async def _until(clock: Clock, utc_ms: int) -> None:
    await clock.sleep((utc_ms - clock.utc_ms()) / 1000)
