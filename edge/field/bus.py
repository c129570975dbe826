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
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import structlog

from edge.clock import Clock
from edge.field.bus_health import DeviceFault, condition_of_bus
from edge.field.driver import Driver, Instant
from edge.field.schedule import Patience, fell_due, first_slot_after
from edge.health import Condition
from edge.readings import Sample
from edge.status import Quality, Reason, worst

Sink = Callable[[Sequence[tuple[Sample, bool]]], None]
"""Takes the samples of one round, each with whether its channel's record interval fell due."""

# However long the slot is, look at the clock this often: it may have been set back.
_LONGEST_SLEEP = 60.0

# A port or an address that cannot be opened is tried again at least this often, in seconds.
_REOPEN_LIMIT = 30.0

# A round that takes this many times as long as it may, plus so many real seconds, is a defect.
_FAR_TOO_LONG = 10
_AT_LEAST = 60.0


@dataclass(frozen=True, slots=True)
class Point:
    """A channel as its bus sees it: on which device, and how often (milliseconds)."""

    device: str
    sample_ms: int
    record_ms: int


@dataclass(frozen=True, slots=True)
class DeviceRules:
    """How a device is treated: how often it is asked in one poll, and the longest pause in s.

    ``poll_within`` is how long a poll of it takes at the worst, in real seconds.
    """

    tries: int
    back_off_limit: float
    poll_within: float = 60.0


@dataclass(slots=True)
class _DeviceState:
    tries: int
    patience: Patience
    reason: Reason = Reason.OK


@dataclass(slots=True)
class PollCounts:
    """What a bus has done so far."""

    rounds: int = 0
    slots_passed_over: int = 0
    polls: dict[str, int] = field(default_factory=dict)
    """Per device, how often it was asked."""
    answers: dict[str, int] = field(default_factory=dict)
    """Per device, how often it answered."""


class BusTask:
    """Polls the devices of one bus for ever."""

    def __init__(
        self,
        name: str,
        driver: Driver,
        points: Mapping[str, Point],
        devices: Mapping[str, DeviceRules],
        *,
        clock: Clock,
        sink: Sink,
    ) -> None:
        self.counts = PollCounts()
        self._name = name
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
            after = self._clock.utc_ms()
            while True:
                after, until = await self._slots_to_poll(after)
                async with asyncio.timeout(self._round_limit):
                    await self._round(after, until)
                after = until
        finally:
            await self._driver.close()

    def condition(self) -> Condition:
        """Say how the bus is: what does not answer, why, and when it is asked again."""
        failing = [
            DeviceFault(device, state.reason, state.patience.failures > 1, state.patience.limit)
            for device, state in self._devices.items()
            if state.reason is not Reason.OK
        ]
        asked = len(self.counts.polls)
        return condition_of_bus(self._name, self._port_reason, _REOPEN_LIMIT, asked, failing)

    async def _slots_to_poll(self, after: int) -> tuple[int, int]:
        """Sleep until a slot later than ``after`` falls due; return the span that has to be polled.

        The span begins at ``after``, or earlier where the clock has been set back: then the slots
        that come again are kept again.
        """
        intervals = {point.sample_ms for point in self._points.values()}
        while True:
            now = self._clock.utc_ms()
            after = after if after <= now else now - 1
            slot = first_slot_after(after, intervals)
            if slot <= now:
                self.counts.slots_passed_over += (now - slot) // min(intervals)
                return after, now
            await self._clock.sleep(min((slot - now) / 1000, _LONGEST_SLEEP))

    async def _round(self, after_ms: int, until_ms: int) -> None:
        due: dict[str, list[str]] = {}
        for channel, point in self._points.items():
            if fell_due(point.sample_ms, after_ms, until_ms):
                due.setdefault(point.device, []).append(channel)
        answering_first = sorted(due, key=lambda device: self._devices[device].patience.failures)
        samples: list[Sample] = []
        for device in answering_first:
            samples += await self._poll(device, due[device])
        self.counts.rounds += 1
        self._sink(
            [
                (sample, fell_due(self._points[sample.channel].record_ms, after_ms, until_ms))
                for sample in samples
            ]
        )

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

    async def _ready(self) -> bool:
        if self._driver.connected:
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

    def _without_asking(self, channels: list[str], reason: Reason) -> list[Sample]:
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
