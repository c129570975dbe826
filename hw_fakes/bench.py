"""The bench: the real daemon against simulated hardware made from its own station file.

Theory of operation. One clock, running at a multiple of real time, gives time to the world, to the
daemon and to the receiver; time-outs of devices and of the broker stay real. The daemon publishes
through a link that can be cut, to a broker that can be restarted; a receiver at that broker keeps
books. While a broker is restarted the link stays cut until the receiver listens again: a broker
keeps no messages for a receiver it does not know yet, and the run is to show what the *station*
loses.

In a run of the weather there are no such mishaps: there the battery is the story. What the daemon
switches is switched, so what it sheds the battery is spared; where it has the computer halted, the
world goes on without, and a new daemon starts on the same journal when the power is back
(`hw_fakes.computer`).

At the end the world stands still, so that the counters' last numbers can be polled; then the daemon
is stopped as it is in the field, and the ledger drawn up from its journal and the receiver's books
(`hw_fakes.closing`).
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Sequence
from pathlib import Path
from random import Random

from edge.clock import Clock
from edge.daemon import Daemon
from edge.journal.journal import Journal
from edge.readings import Journalled
from edge.station.model import Station, Uplink
from edge.uplink.broker import BrokerSettings
from edge.uplink.receiver import Receiver
from edge.uplink.timetable import Timetable
from hw_fakes.bench_state import BenchPlan, BenchState, Show
from hw_fakes.broker import EmbeddedBroker
from hw_fakes.clock import ScaledClock
from hw_fakes.closing import close_accounts
from hw_fakes.computer import Computer
from hw_fakes.faults import FaultKind
from hw_fakes.hardware import Hardware
from hw_fakes.ledger import Ledger
from hw_fakes.link import CuttableLink
from hw_fakes.pace import Pace
from hw_fakes.well import REST_AT_START_S
from hw_fakes.world import world_of

JOURNAL = "bench.sqlite"

# The world stands still for two intervals of the slowest channel: a poll may just have been made.
_SLOWEST_INTERVALS_TO_SETTLE = 2

# A link is cut for this share of the run at most, however short the run.
_LONGEST_CUT = 0.1

_BROKER_ANSWERS_WITHIN = 10.0

# The pump rests for so many real seconds at least, so that the station can count from the start.
_DAEMON_STARTS_WITHIN_S = 1.0

# How often battery and stage are looked at, in seconds of the simulated world.
_LOOK_EVERY_S = 300.0

# What the receiver is given, in real seconds, to get what the daemon has sent.
_CATCH_UP_S = 20.0


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


async def run_bench(plan: BenchPlan, directory: Path, show: Show) -> Ledger:
    """Run the plan in ``directory`` (for the journal and the ports); return the ledger.

    ``show`` is run beside it, and cancelled at the end. Raises BenchError when there is no broker,
    and ExceptionGroup when the daemon gives up or the receiver cannot get what was sent.
    """
    async with contextlib.AsyncExitStack() as stack:
        # Whatever takes its time is done before the clock starts: a second is half an hour here.
        embedded = None if plan.broker else await stack.enter_async_context(EmbeddedBroker())
        host, port = (embedded.host, embedded.port) if embedded else plan.broker or ("", 0)
        Journal(directory / JOURNAL, plan.station.series()).close()
        await _look_for_broker(host, port)
        link = await stack.enter_async_context(CuttableLink(host, port))
        clock = ScaledClock(plan.start_utc_ms, plan.speed)
        rest = max(REST_AT_START_S, _DAEMON_STARTS_WITHIN_S * plan.speed)
        world = world_of(plan.station, plan.seed, plan.start_utc_ms, plan.weather, rest)
        still = StillAfter(clock, plan.end_utc_ms)
        hardware = Hardware(plan.station, world, still, directory)
        await stack.enter_async_context(hardware)
        for bus, device in plan.dead:
            hardware.faults(bus, device).set(FaultKind.DEAD)
        arrived: dict[int, Journalled] = {}
        receiver = _receiver(plan, host, port, clock, arrived)
        name = "embedded" if embedded else host
        state = BenchState(plan, clock, still, hardware, world.power, receiver, link, name)
        _connect_modem(state)
        stop = asyncio.Event()
        async with asyncio.TaskGroup() as group:
            beside = [group.create_task(receiver.run())]
            # A broker keeps nothing for a receiver that has not subscribed yet.
            await receiver.listening.wait()
            clock.begin_anew()
            state.computer = _computer(state, directory)
            running = group.create_task(state.computer.run(stop))
            pace = Pace(
                clock, lambda: _timetable(state), lambda: link.in_use, lambda: _passed_over(state)
            )
            beside += [group.create_task(run) for run in (_watch(state), pace.run(), show(state))]
            await _mishaps(state, embedded)
            await _until(clock, plan.end_utc_ms)
            state.note("the world stands still")
            await clock.sleep(_SLOWEST_INTERVALS_TO_SETTLE * _slowest_interval_s(state))
            stop.set()
            await running
            async with asyncio.timeout(_CATCH_UP_S):
                await receiver.catch_up()
            for task in beside:
                task.cancel()
        return close_accounts(state, directory / JOURNAL, arrived)


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


def _computer(state: BenchState, directory: Path) -> Computer:
    station = state.hardware.station
    station = station.model_copy(update={"uplink": _uplink(station)})
    broker = BrokerSettings("127.0.0.1", state.link.port, station.station.id)

    def make() -> Daemon:
        return Daemon(
            station,
            Journal(directory / JOURNAL, station.series()),
            broker,
            clock=state.clock,
            environ={},
            rng=Random(state.plan.seed + 1),
            gpio=state.hardware.gpio,
        )

    return Computer(
        make, state.hardware, state.power, state.still, note=state.note, observe=state.observe
    )


def _connect_modem(state: BenchState) -> None:
    """Have the link need the modem, and the modem draw on the battery when it sends."""
    hardware, link, uplink = state.hardware, state.link, state.plan.station.uplink

    def switched(name: str, on: bool) -> None:
        if uplink is not None and name == uplink.supply and not on:
            link.drop()

    hardware.on_switch = switched
    link.modem_up = lambda: hardware.modem_up
    link.on_sending(lambda: hardware.loads.sent(state.still.utc_ms() / 1000))


def _timetable(state: BenchState) -> Timetable | None:
    publisher = state.daemon.publisher
    return publisher.timetable if state.computer.on and publisher else None


def _passed_over(state: BenchState) -> int:
    return sum(bus.counts.slots_passed_over for bus in state.daemon.buses.values())


async def _watch(state: BenchState) -> None:
    """Take note of battery and stage, over and over."""
    while True:
        state.look()
        await state.clock.sleep(_LOOK_EVERY_S)


def _uplink(station: Station) -> Uplink:
    uplink = station.uplink or Uplink(host="127.0.0.1")
    # Nobody who listens to the real station must take this for it.
    return uplink.model_copy(update={"topic_prefix": f"bench/{uplink.topic_prefix}"})


def _slowest_interval_s(state: BenchState) -> float:
    shedding = state.daemon.shedding
    times = shedding.keeper.effects.stretch_sampling if shedding else 1
    slowest = max(channel.record_ms for channel in state.plan.station.measured.values())
    return times * slowest / 1000


async def _until(clock: Clock, utc_ms: int) -> None:
    await clock.sleep((utc_ms - clock.utc_ms()) / 1000)
