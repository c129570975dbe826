"""One task a bus: when to poll, in what order, and how to bear with what does not answer.

Theory of operation. A bus is a queue at a counter: while one device keeps the counter waiting, the
others wait too. Three rules keep the queue moving.

*Those that answer go first.* In every round the devices that answered last time are polled before
those that did not, so a dead one can only use up the time that is left over.

*The dead are asked seldom.* Each failure doubles the pause before the next try (`Patience`), and a
device that failed is tried once, not ``retries`` times over. In between its channels still get
their samples, bad ones, with the reason of the last failure: silence is on the record, at the
channel's own pace.

*Late is better than never.* Slots are counted on the wall clock. A round that took longer than its
slot is followed at once by one round for all slots that passed meanwhile; how many were passed
over is counted. A clock that is set back does not stop polling until it has caught up.

*No round for ever.* Every wait in a driver has an end. Should a defect make one endless all the
same, the round is given up as a crash, ten times later than it may end at the worst; the task is
then started afresh by whoever supervises it.

*Nobody waits for another's warm-up.* Channels whose sensors hang on a switched supply have rounds
of their own, a series of rounds for each supply: switch it on, wait for the warm-up, poll, switch
it off. The other channels are polled meanwhile; only the wire is shared, device by device.

*Shedding load* stretches all intervals, or stops the bus: then nobody is asked, the port is closed,
and every channel gets the sample ``shed`` at its pace. A device that is not asked has not failed.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import structlog

from edge.clock import Clock, wait_for_event
from edge.field.bus_health import DeviceFault, condition_of_bus
from edge.field.driver import Driver, Instant
from edge.field.points import DeviceRules, Point, PollCounts, Sink, Supplies
from edge.field.schedule import Patience, fell_due, first_slot_after
from edge.health import Condition
from edge.host.together import together
from edge.readings import Sample
from edge.status import Category, Quality, Reason, worst

# However long the slot is, look at the clock this often: it may have been set back.
_LONGEST_SLEEP = 60.0

# A port or an address that cannot be opened is tried again at least this often, in seconds.
_REOPEN_LIMIT = 30.0

# A round that takes this many times as long as it may, plus so many real seconds, is a defect.
_FAR_TOO_LONG = 10
_AT_LEAST = 60.0


@dataclass(slots=True)
class _DeviceState:
    tries: int
    patience: Patience
    reason: Reason = Reason.OK


@dataclass(slots=True)
class _Series:
    """A series of rounds: the channels on one supply, or those on none."""

    supply: str | None
    points: Mapping[str, Point]
    woken: asyncio.Event = field(default_factory=asyncio.Event)


class BusTask:
    """Polls the devices of one bus for ever.

    ``supplies`` may be left out where no point has one. With ``keep_open`` the port stays open
    while nobody is polled: the station's outputs need it.
    """

    def __init__(
        self,
        name: str,
        driver: Driver,
        points: Mapping[str, Point],
        devices: Mapping[str, DeviceRules],
        *,
        clock: Clock,
        sink: Sink,
        supplies: Supplies | None = None,
        keep_open: bool = False,
    ) -> None:
        self.counts = PollCounts()
        self._name = name
        self._supplies = supplies
        self._keep_open = keep_open
        self._series = [
            _Series(supply, {n: p for n, p in points.items() if p.supply == supply})
            for supply in dict.fromkeys(point.supply for point in points.values())
        ]
        self._all_supplied = all(series.supply is not None for series in self._series)
        self._stretch, self._stopped = 1, False
        self._counter = asyncio.Lock()  # one device at a time
        self._driver = driver
        self._points = points
        self._clock = clock
        self._sink = sink
        self._devices = {
            device: _DeviceState(rules.tries, Patience(rules.back_off_limit))
            for device, rules in devices.items()
        }
        longest_round = sum(rules.poll_within for rules in devices.values())
        self._round_limit = _AT_LEAST + _FAR_TOO_LONG * longest_round
        self._reopening = Patience(_REOPEN_LIMIT)
        self._port_reason = Reason.OK
        self._log = structlog.get_logger().bind(bus=name)

    async def run(self) -> None:
        """Poll until cancelled; the port is closed on the way out.

        Raises TimeoutError when a round does not end.
        """
        try:
            await together(self._poll_for_ever(series) for series in self._series)
        finally:
            await self._driver.close()

    def shed(self, stretch: int, *, stopped: bool) -> None:
        """Shed load from now on: all intervals ``stretch`` times as long, or nobody is asked."""
        if (stretch, stopped) == (self._stretch, self._stopped):
            return
        self._stretch, self._stopped = stretch, stopped
        for series in self._series:
            series.woken.set()

    def condition(self) -> Condition:
        """Say how the bus is: what does not answer, why, and when it is asked again."""
        if self._stopped:
            return Condition(f"bus {self._name}", Category.NORMAL, "stopped, to spare the battery")
        failing = [
            DeviceFault(device, state.reason, state.patience.failures > 1, state.patience.limit)
            for device, state in self._devices.items()
            if state.reason is not Reason.OK
        ]
        asked = len(self.counts.polls)
        return condition_of_bus(self._name, self._port_reason, _REOPEN_LIMIT, asked, failing)

    async def _poll_for_ever(self, series: _Series) -> None:
        after = self._clock.utc_ms()
        while True:
            after, until = await self._slots_to_poll(series, after)
            async with self._powered(series) as reason:
                await self._round(series, after, until, reason)
            after = until
            if self._all_supplied:
                # A device without supply takes no leave: a connection to it would seem to stand.
                await self._hang_up()

    @contextlib.asynccontextmanager
    async def _powered(self, series: _Series) -> AsyncIterator[Reason]:
        """Have the supply of a series of rounds on; yield OK, or why nobody is to be asked."""
        if self._stopped:
            yield Reason.SHED
        elif series.supply is None or self._supplies is None:
            yield Reason.OK
        else:
            async with self._supplies.powered(series.supply) as reason:
                yield reason

    async def _slots_to_poll(self, series: _Series, after: int) -> tuple[int, int]:
        """Sleep until a slot later than ``after`` falls due; return the span that has to be polled.

        The span begins at ``after``, or earlier where the clock has been set back: then the slots
        that come again are kept again.
        """
        on_time = True
        while True:
            series.woken.clear()
            if self._stopped:
                await self._hang_up()
            intervals = {point.sample_every(self._stretch) for point in series.points.values()}
            now = self._clock.utc_ms()
            after = after if after <= now else now - 1
            slot = first_slot_after(after, intervals)
            if slot <= now:
                if on_time:
                    self.counts.slots_passed_over += (now - slot) // min(intervals)
                return after, now
            nap = min((slot - now) / 1000, _LONGEST_SLEEP)
            # Shorter intervals from now on make no slots that were passed over.
            on_time = not await wait_for_event(series.woken, self._clock, nap)

    async def _round(self, series: _Series, after_ms: int, until_ms: int, supply: Reason) -> None:
        stretch = self._stretch
        due: dict[str, list[str]] = {}
        for channel, point in series.points.items():
            if fell_due(point.sample_every(stretch), after_ms, until_ms):
                due.setdefault(point.device, []).append(channel)
        if supply is Reason.OK:
            async with asyncio.timeout(self._round_limit):
                samples = await self._ask(due)
        else:
            samples = self._without_asking(
                (one for due_of in due.values() for one in due_of), supply
            )
        self.counts.rounds += 1
        self._sink(
            [
                (
                    sample,
                    fell_due(
                        self._points[sample.channel].record_every(stretch), after_ms, until_ms
                    ),
                )
                for sample in samples
            ]
        )

    async def _ask(self, due: Mapping[str, list[str]]) -> list[Sample]:
        samples: list[Sample] = []
        answering_first = sorted(due, key=lambda device: self._devices[device].patience.failures)
        for device in answering_first:
            async with self._counter:
                samples += await self._poll(device, due[device])
        return samples

    async def _poll(self, device: str, channels: list[str]) -> list[Sample]:
        if not await self._ready():
            return self._without_asking(channels, self._port_reason)
        state = self._devices[device]
        if not state.patience.allows(self._clock.monotonic()):
            return self._without_asking(channels, state.reason)
        tries = 1 if state.patience.failures else state.tries
        samples = await self._driver.read(device, channels, tries=tries)
        self._count(device, samples)
        self._judge(device, state, samples)
        return samples

    async def _hang_up(self) -> None:
        if not self._keep_open:
            async with self._counter:  # nobody is cut short
                await self._driver.close()

    async def _ready(self) -> bool:
        if self._driver.connected:
            self._reopening.succeeded()  # it may have been somebody else who opened it
            self._port_changed(Reason.OK)
            return True
        now = self._clock.monotonic()
        if self._reopening.allows(now):
            reason = await self._driver.open()
            if reason is Reason.OK:
                self._reopening.succeeded()
            else:
                self._reopening.failed(now)
            self._port_changed(reason)
        return self._driver.connected

    def _without_asking(self, channels: Iterable[str], reason: Reason) -> list[Sample]:
        return Instant.now(self._clock).samples(dict.fromkeys(channels, reason))

    def _judge(self, device: str, state: _DeviceState, samples: Sequence[Sample]) -> None:
        """Take note of how the device answered; a change is logged, the same again is not."""
        reason = worst(*(sample.reason for sample in samples))
        if all(sample.reason in _NO_ANSWER for sample in samples):
            state.patience.failed(self._clock.monotonic())
        else:
            state.patience.succeeded()
        if reason is state.reason:
            return
        state.reason = reason
        if reason.quality is Quality.GOOD:
            self._log.info("device answers again", device=device)
        else:
            self._log.warning("device fails", device=device, reason=reason.slug, why=reason.text)

    def _port_changed(self, reason: Reason) -> None:
        if reason is self._port_reason:
            return
        self._port_reason = reason
        if reason is Reason.OK:
            self._log.info("port open again")
        else:
            self._log.warning("port fails", reason=reason.slug, why=reason.text)

    def _count(self, device: str, samples: Sequence[Sample]) -> None:
        counts = self.counts
        counts.polls[device] = counts.polls.get(device, 0) + 1
        if not any(sample.reason in _NO_ANSWER for sample in samples):
            counts.answers[device] = counts.answers.get(device, 0) + 1


# Reasons that mean the device was asked in vain, most often for the whole time-out: these are what
# back-off is for. An exception reply or a text that is no number comes from a device that is alive.
_NO_ANSWER = {
    Reason.NO_REPLY,
    Reason.BAD_CHECKSUM,
    Reason.SHORT_FRAME,
    Reason.WRONG_UNIT,
    Reason.WRONG_REPLY,
    Reason.PORT_ABSENT,
    Reason.PORT_DENIED,
    Reason.PORT_UNUSABLE,
    Reason.NO_CONNECTION,
    Reason.BABBLE,
}
