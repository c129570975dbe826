"""A link that does not stand: made for a slot, off in between, shed to spare the battery."""

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from edge.health import Condition
from edge.readings import Gap, WhyGone
from edge.status import Category, Reason
from edge.uplink.hours import WINDOW, Hours
from edge.uplink.publisher import Publisher
from edge.uplink.timetable import Timetable
from hw_fakes.clock import ManualClock
from hw_fakes.link import CuttableLink
from tests.conftest import MakeMosquitto, Mosquitto, free_port
from tests.uplink.parts import (
    MemoryStore,
    PickyBroker,
    Publication,
    listening,
    scripted_broker,
    settings_for,
)
from tests.uplink.test_publisher import (
    FIVE_MINUTES,
    READINGS,
    START_MS,
    STATUS,
    make_publisher,
    pass_time_until,
    receiving,
    running,
    until,
)

DENVER = ZoneInfo("America/Denver")
EVERY_MS = 300_000
VISITS = {"stay_connected": False}  # at START_MS it is 23:30 in Denver, of 28 February
LINGERING = Timetable(EVERY_MS, None, DENVER)
CLOSED = Timetable(EVERY_MS, None, DENVER, open=False)
AT_MIDNIGHT = Timetable(EVERY_MS, (0,), DENVER)
YES = b""


async def asleep(clock: ManualClock, publisher: Publisher) -> None:
    """Wait until the publisher has left the broker and waits for its clock."""
    await until(clock, lambda: not publisher.state.connected and clock.sleepers)


class Switch:
    """What supplies the link: gives ``reasons`` in turn, the last for ever; notes what was done."""

    def __init__(self, *reasons: Reason, clock: ManualClock, warm_up: float = 0.0) -> None:
        self.on = False
        self.log: list[str] = []
        self.reasons = list(reasons) or [Reason.OK]
        self._clock = clock
        self._warm_up = warm_up

    def supply(self) -> AbstractAsyncContextManager[Reason]:
        return self._powered()

    @asynccontextmanager
    async def _powered(self) -> AsyncIterator[Reason]:
        reason = self.reasons.pop(0) if len(self.reasons) > 1 else self.reasons[0]
        if reason is not Reason.OK:
            self.log.append(reason.slug)
            yield reason
            return
        self.on = True
        self.log.append("on")
        try:
            await self._clock.sleep(self._warm_up)
            yield Reason.OK
        finally:
            self.on = False
            self.log.append("off")


# ------------------------------------------------------------------------------ made for a slot


async def test_a_connection_is_made_for_a_slot_and_left(mosquitto: Mosquitto) -> None:
    store, clock = MemoryStore(newest=6000), ManualClock(START_MS + 60_000)
    publisher = make_publisher(store, mosquitto.port, clock=clock, uplink=VISITS)
    async with receiving(mosquitto.port) as receiver, running(publisher):
        await asleep(clock, publisher)
        await clock.advance(239.0)
        assert publisher.summary() == (
            "not connected; publishes next at 23:35, 6000 readings to send"
        )
        condition = publisher.condition()
        assert (condition.category, condition.found, condition.doing) == (
            Category.NORMAL,
            "not connected; 6000 readings wait to be sent",
            "publishes next at 23:35",
        )
        assert not store.fetched
        await clock.advance(1.0)
        # No time passes: the backlog does not keep to its share.
        await receiver.until(lambda: receiver.status.get("state") == "offline")
        assert receiver.numbers == list(store.sent) == [(1, 6000)]
        assert receiver.status == {
            "state": "offline",
            "station": "ash-creek-2",
            "reason": "as planned; publishes next at 23:40 America/Denver",
            "next": "2026-03-01T06:40:00.000Z",
            "health": [],
        }
        await asleep(clock, publisher)
        assert publisher.summary() == "not connected; publishes next at 23:40, 0 readings to send"
        store.sendable = 6010
        await clock.advance(299.0)
        assert publisher.pending == 10
        await clock.advance(1.0)
        await receiver.until(lambda: receiver.status.get("next") == "2026-03-01T06:45:00.000Z")
        assert receiver.numbers == [(1, 6010)]
        assert receiver.books.duplicates == 0


async def test_the_status_is_said_on_a_visit_only_when_it_has_changed(mosquitto: Mosquitto) -> None:
    sound = Condition("energy", Category.NORMAL, "battery 12.61 V")
    saving = Condition("energy", Category.OUT_OF_SPECIFICATION, "battery 11.93 V", "saving")
    deeper = Condition("energy", Category.OUT_OF_SPECIFICATION, "battery 11.41 V", "deep")
    conditions = [sound]
    clock = ManualClock(START_MS)
    publisher = make_publisher(
        MemoryStore(), mosquitto.port, clock=clock, uplink=VISITS, conditions=lambda: conditions
    )
    async with (
        listening(settings_for(mosquitto.port, client_id="receiver"), STATUS) as heard,
        running(publisher),
    ):
        for conditions[0], messages in (
            (sound, 2),
            (sound, 3),
            (saving, 5),
            (saving, 6),
            (deeper, 8),  # of the same category, but more is shed
        ):
            await asleep(clock, publisher)
            await clock.advance(FIVE_MINUTES)
            await heard.until(lambda n=messages: len(heard.messages) == n)
    said = [json.loads(message.payload) for message in heard.messages]
    assert [one["state"] for one in said[:8]] == [
        "online", "offline", "offline", "online", "offline", "offline", "online", "offline",
    ]  # fmt: skip
    assert said[0]["energy"] == {"category": "normal", "found": "battery 12.61 V", "doing": ""}
    assert (said[3]["energy"]["doing"], said[6]["energy"]["doing"]) == ("saving", "deep")
    assert [one["part"] for one in said[4]["health"]] == ["energy"]


async def test_a_visit_that_fails_is_tried_again_for_a_while_and_then_at_the_next_slot() -> None:
    clock, port = ManualClock(START_MS), free_port()
    tries: list[float] = []
    store = MemoryStore(newest=5)
    publisher = make_publisher(store, port, clock=clock, uplink={**VISITS, "publish": "1 h"})

    def count(_version: str) -> object:
        tries.append(clock.monotonic())
        return make(_version)

    make, publisher._make_session = publisher._make_session, count
    why = f"connection refused: nothing listens on 127.0.0.1:{port}"
    async with running(publisher):
        await asleep(clock, publisher)
        await clock.advance(1799.0)
        assert not tries  # the next full hour is half an hour away
        for _ in range(350):
            await clock.advance(2.0)
            await until(clock, lambda: clock.sleepers and publisher.state.why)
        assert publisher.summary() == (
            f"not connected: {why}; publishes next at 01:00, 5 readings to send"
        )
        condition = publisher.condition()
        assert (condition.category, condition.doing) == (
            Category.FAILURE,
            "publishes next at 01:00",
        )
        pauses = [after - before for before, after in pairwise(tries)]
        assert 1800.0 <= tries[0] <= 1801.0
        assert tries[-1] <= 1800.0 + WINDOW
        # Of pauses that double from 2 s at most, with jitter, eight fit at the least.
        assert len(pauses) >= 7
        assert pauses[0] <= 4.0 < pauses[-1]
        before = len(tries)
        await asleep(clock, publisher)
        await clock.advance(2800.0)
        assert len(tries) == before
        await pass_time_until(clock, lambda: len(tries) == before + 1)
        assert tries[-1] == pytest.approx(5400.0)
        # The pauses begin anew.
        await pass_time_until(clock, lambda: len(tries) == before + 2)
        assert tries[-1] - tries[-2] < 30.0


async def test_a_backlog_has_ten_minutes_of_a_visit() -> None:
    acknowledged = asyncio.Semaphore(0)

    async def answer(publication: Publication) -> bytes:
        if publication.topic == READINGS:
            await acknowledged.acquire()
        return YES

    broker = PickyBroker(answer)
    store, clock = MemoryStore(newest=50_000), ManualClock(START_MS)
    async with scripted_broker(broker.talk) as settings:
        publisher = make_publisher(
            store,
            int(settings.port),
            clock=clock,
            protocol="3.1.1",
            uplink={**VISITS, "publish": "1 h", "pack_readings": 100, "window": 2},
        )
        async with running(publisher):
            await clock.advance(1800.0)
            await until(clock, lambda: publisher.state.connected)
            await clock.advance(WINDOW - 2)
            acknowledged.release()
            await store.until(lambda: len(store.sent) == 100)
            await until(clock, lambda: clock.sleepers)
            await clock.advance(2.0)
            # What is under way is waited for; nothing more is begun.
            for _ in range(5):
                acknowledged.release()
            await asleep(clock, publisher)
            assert 200 <= len(store.sent) <= 400
            assert publisher.pending == 50_000 - len(store.sent)
            assert publisher.condition().doing == "publishes next at 01:00"


async def test_a_visit_waits_for_the_time_and_takes_what_waited_with_it(
    mosquitto: Mosquitto,
) -> None:
    """Where the time server is reached by the link that is up for visits only."""
    store, clock = MemoryStore(newest=0), ManualClock(START_MS)
    waiting = [True]
    publisher = make_publisher(
        store, mosquitto.port, clock=clock, uplink={**VISITS, "publish": "1 h"}
    )
    publisher._waits_for_time = lambda: waiting[0]
    async with receiving(mosquitto.port) as receiver, running(publisher):
        await asleep(clock, publisher)
        await clock.advance(1800.0)
        await until(clock, lambda: publisher.state.connected and clock.sleepers)
        await clock.advance(WINDOW / 2)
        assert publisher.state.connected
        waiting[0], store.sendable = False, 1000
        await pass_time_until(clock, lambda: not publisher.state.connected)
        assert receiver.numbers == list(store.sent) == [(1, 1000)]
        assert clock.monotonic() < 1800.0 + WINDOW


async def test_a_visit_does_not_wait_for_the_time_for_ever(mosquitto: Mosquitto) -> None:
    clock = ManualClock(START_MS)
    publisher = make_publisher(
        MemoryStore(), mosquitto.port, clock=clock, uplink={**VISITS, "publish": "1 h"}
    )
    publisher._waits_for_time = lambda: True
    async with running(publisher):
        await asleep(clock, publisher)
        await clock.advance(1800.0)
        await until(clock, lambda: publisher.state.connected and clock.sleepers)
        await clock.advance(WINDOW)
        await asleep(clock, publisher)
        assert publisher.summary() == "not connected; publishes next at 01:00, 0 readings to send"


async def test_on_a_visit_the_backlog_has_all_of_the_time() -> None:
    clock = ManualClock(START_MS)

    async def answer(publication: Publication) -> bytes:
        if publication.topic == READINGS:
            await clock.sleep(40.0)
        return YES

    broker = PickyBroker(answer)
    store = MemoryStore(newest=1000)
    uplink = {"publish": "1 h", "pack_readings": 100, "window": 2, "backlog_share": "10 %"}
    async with scripted_broker(broker.talk) as settings:
        publisher = make_publisher(
            store, int(settings.port), clock=clock, protocol="3.1.1", uplink={**VISITS, **uplink}
        )
        async with running(publisher):
            await asleep(clock, publisher)
            await clock.advance(1800.0)
            await pass_time_until(clock, lambda: len(store.sent) == 1000)
            # Ten packs, one after the other. With its share it would take more than an hour.
            assert clock.monotonic() < 1800.0 + WINDOW


async def test_a_clock_set_back_brings_the_next_visit_nearer(mosquitto: Mosquitto) -> None:
    store, clock = MemoryStore(newest=5), ManualClock(START_MS)
    publisher = make_publisher(store, mosquitto.port, clock=clock, uplink=VISITS)
    async with running(publisher):
        await asleep(clock, publisher)
        clock.step(-7 * 86_400_000)
        await clock.advance(FIVE_MINUTES)
        await store.until(lambda: len(store.sent) == 5)


async def test_a_visit_cut_short_is_told_as_one(mosquitto: Mosquitto) -> None:
    store, clock = MemoryStore(newest=5), ManualClock(START_MS)
    store.gate.clear()
    async with CuttableLink(mosquitto.host, mosquitto.port) as link:
        publisher = make_publisher(store, link.port, clock=clock, uplink=VISITS)
        async with receiving(mosquitto.port) as receiver, running(publisher):
            await asleep(clock, publisher)
            await clock.advance(FIVE_MINUTES)
            await store.waiting_at_gate.wait()
            await link.cut()
            await receiver.until(lambda: receiver.status.get("state") == "offline")
            assert receiver.status["reason"] == (
                "connection lost; as planned; publishes next at 23:40 America/Denver"
            )
            await link.restore()
            store.gate.set()
            await pass_time_until(clock, lambda: len(store.sent) == 5)
            await receiver.until(lambda: str(receiver.status["reason"]).startswith("as planned"))


async def test_a_farewell_too_large_for_the_broker_is_said_in_short(
    make_mosquitto: MakeMosquitto,
) -> None:
    broker = make_mosquitto("allow_anonymous true", "max_packet_size 400")
    unsound = Condition("bus rs485", Category.FAILURE, "the port is not there" * 20)
    clock = ManualClock(START_MS)
    publisher = make_publisher(
        MemoryStore(), broker.port, clock=clock, uplink=VISITS, conditions=lambda: [unsound]
    )
    async with receiving(broker.port) as receiver, running(publisher):
        await asleep(clock, publisher)
        await clock.advance(FIVE_MINUTES)
        await receiver.until(lambda: receiver.status.get("state") == "offline")
        assert receiver.status["reason"] == "as planned; publishes next at 23:40 America/Denver"
        assert "health" not in receiver.status


async def test_gaps_that_cost_connections_are_stated_at_the_end_of_a_visit() -> None:
    hang_ups = 3

    async def answer(publication: Publication) -> bytes | None:
        nonlocal hang_ups
        if publication.topic.endswith("gaps") and hang_ups:
            hang_ups -= 1
            return None
        return YES

    broker = PickyBroker(answer, version="5")
    store, clock = MemoryStore(newest=10), ManualClock(START_MS)
    store.gaps = [Gap(100, 101, WhyGone.LOST, None, None, START_MS)]
    async with scripted_broker(broker.talk) as settings:
        publisher = make_publisher(store, int(settings.port), clock=clock, uplink=VISITS)
        async with running(publisher):
            await asleep(clock, publisher)
            await pass_time_until(clock, lambda: not store.gaps)
            await asleep(clock, publisher)
            assert broker.connections == 4
            assert clock.monotonic() < FIVE_MINUTES + WINDOW
            kinds = [one.topic.rpartition("/")[2] for one in broker.taken]
            assert kinds.index("readings") < kinds.index("gaps")


# ----------------------------------------------------------------------------- another timetable


async def test_another_timetable_holds_at_once_between_visits(mosquitto: Mosquitto) -> None:
    store, clock = MemoryStore(newest=10), ManualClock(START_MS)
    publisher = make_publisher(store, mosquitto.port, clock=clock, uplink=VISITS)
    async with running(publisher):
        await asleep(clock, publisher)
        publisher.timetable = AT_MIDNIGHT
        await clock.advance(1799.0)
        assert publisher.summary() == "not connected; publishes next at 00:00, 10 readings to send"
        await clock.advance(1.0)
        await store.until(lambda: len(store.sent) == 10)


async def test_a_connection_that_stood_is_left_with_all_that_is_pending(
    mosquitto: Mosquitto,
) -> None:
    store, clock = MemoryStore(newest=10), ManualClock(START_MS)
    publisher = make_publisher(store, mosquitto.port, clock=clock)
    assert publisher.timetable == LINGERING
    async with receiving(mosquitto.port) as receiver, running(publisher):
        await store.until(lambda: len(store.sent) == 10)
        await until(clock, lambda: clock.sleepers)
        store.sendable = 25
        publisher.timetable = AT_MIDNIGHT
        await receiver.until(lambda: receiver.status.get("state") == "offline")
        assert receiver.numbers == [(1, 25)]
        assert receiver.status["next"] == "2026-03-01T07:00:00.000Z"
        await asleep(clock, publisher)
        assert publisher.summary() == "not connected; publishes next at 00:00, 0 readings to send"
        # And back, at once.
        publisher.timetable = LINGERING
        await receiver.until(lambda: receiver.status.get("state") == "online")
        await clock.settle()
        assert publisher.state.connected


async def test_a_visit_becomes_a_connection_that_stands(mosquitto: Mosquitto) -> None:
    store, clock = MemoryStore(newest=10), ManualClock(START_MS)
    publisher = make_publisher(store, mosquitto.port, clock=clock, uplink=VISITS)
    async with receiving(mosquitto.port) as receiver, running(publisher):
        for newest in (10, 20):
            await asleep(clock, publisher)
            store.sendable = newest
            if newest == 20:
                store.gate.clear()
            await clock.advance(FIVE_MINUTES)
            if newest == 10:
                await receiver.until(lambda: receiver.status.get("state") == "offline")
        await store.waiting_at_gate.wait()
        publisher.timetable = LINGERING
        store.gate.set()
        # It had not said so on this visit, for it had said so before.
        await receiver.until(lambda: receiver.status.get("state") == "online")
        await receiver.until(lambda: receiver.numbers == [(1, 20)])
        await until(clock, lambda: clock.sleepers)
        store.sendable = 30
        await clock.advance(FIVE_MINUTES)
        await receiver.until(lambda: receiver.numbers == [(1, 30)])
        assert receiver.status["state"] == "online"


async def test_a_link_that_is_shed_stays_off_until_it_may_be_on_again(mosquitto: Mosquitto) -> None:
    store, clock = MemoryStore(newest=10), ManualClock(START_MS)
    saving = Condition("energy", Category.OUT_OF_SPECIFICATION, "battery 11.4 V", "modem off")
    conditions = [Condition("energy", Category.NORMAL, "battery 12.6 V")]
    publisher = make_publisher(store, mosquitto.port, clock=clock, conditions=lambda: conditions)
    statuses: list[dict[str, object]] = []
    async with receiving(mosquitto.port) as receiver, running(publisher):
        await store.until(lambda: len(store.sent) == 10)
        await until(clock, lambda: clock.sleepers)
        conditions[:] = [saving]
        store.sendable = 20
        publisher.timetable = CLOSED
        await receiver.until(lambda: statuses.append(receiver.status) or (
            receiver.status.get("state") == "offline"))  # fmt: skip
        assert [one["part"] for one in statuses[-2]["health"]] == ["energy"]
        assert receiver.status["reason"] == "switched off to spare the battery"
        assert "next" not in receiver.status
        assert receiver.numbers == [(1, 20)]
        await asleep(clock, publisher)
        store.sendable = 30
        await clock.advance(86_400.0)
        assert publisher.summary() == (
            "not connected; switched off to spare the battery, 10 readings to send"
        )
        condition = publisher.condition()
        assert (condition.category, condition.found, condition.doing) == (
            Category.FUNCTION_CHECK,
            "not connected; 10 readings wait to be sent",
            "switched off to spare the battery",
        )
        publisher.timetable = LINGERING
        await receiver.until(lambda: receiver.numbers == [(1, 30)])


async def test_shedding_a_link_does_not_wait_for_a_broker_that_does_not_answer() -> None:
    reached = asyncio.Event()

    async def keep_silent(reader: asyncio.StreamReader, _: asyncio.StreamWriter) -> None:
        reached.set()
        await reader.read()

    clock = ManualClock(START_MS)
    switch = Switch(clock=clock)
    async with scripted_broker(keep_silent) as settings:
        publisher = make_publisher(MemoryStore(), settings.port, clock=clock, supply=switch.supply)
        async with running(publisher):
            await reached.wait()
            assert switch.on
            publisher.timetable = CLOSED
            await until(clock, lambda: not switch.on)


async def test_stopping_tells_why(mosquitto: Mosquitto) -> None:
    clock = ManualClock(START_MS)
    publisher = make_publisher(MemoryStore(), mosquitto.port, clock=clock)
    async with receiving(mosquitto.port) as receiver, running(publisher) as task:
        await receiver.until(lambda: receiver.status.get("state") == "online")
        await until(clock, lambda: clock.sleepers)
        await publisher.stop("halted to spare the battery")
        await task
        await receiver.until(lambda: receiver.status.get("state") == "offline")
        assert receiver.status["reason"] == "halted to spare the battery"
        assert (
            publisher.summary() == "not connected: halted to spare the battery, 0 readings to send"
        )


async def test_stopping_between_visits_connects_no_more() -> None:
    clock = ManualClock(START_MS)
    publisher = make_publisher(MemoryStore(newest=5), 1, clock=clock, uplink=VISITS)
    async with running(publisher) as task:
        await asleep(clock, publisher)
        await publisher.stop()
        await task
    assert publisher.summary() == "not connected, 5 readings to send"


# ------------------------------------------------------------------------- what supplies the link


async def test_the_supply_is_on_for_a_visit_and_warm_before_it(mosquitto: Mosquitto) -> None:
    store, clock = MemoryStore(newest=5), ManualClock(START_MS)
    switch = Switch(clock=clock, warm_up=30.0)
    publisher = make_publisher(
        store, mosquitto.port, clock=clock, uplink=VISITS, supply=switch.supply
    )
    async with running(publisher):
        await asleep(clock, publisher)
        assert switch.log == []
        await clock.advance(FIVE_MINUTES)
        assert switch.on
        assert publisher.condition().category is Category.NORMAL
        assert publisher.condition().doing == "connecting"
        await clock.advance(29.0)
        assert not publisher.state.connected
        await clock.advance(1.0)
        await store.until(lambda: len(store.sent) == 5)
        await until(clock, lambda: not switch.on)
        assert not publisher.state.connected
        await asleep(clock, publisher)
        assert switch.log == ["on", "off"]


async def test_the_supply_stays_on_while_a_connection_is_tried_again(mosquitto: Mosquitto) -> None:
    store, clock = MemoryStore(newest=5), ManualClock(START_MS)
    switch = Switch(clock=clock)
    mosquitto.kill()
    publisher = make_publisher(store, mosquitto.port, clock=clock, supply=switch.supply)
    async with running(publisher):
        await until(clock, lambda: "refused" in publisher.state.why and clock.sleepers)
        for _ in range(5):
            await clock.advance(60.0)
        mosquitto.start()
        await pass_time_until(clock, lambda: len(store.sent) == 5)
        assert switch.log == ["on"]
    assert switch.log == ["on", "off"]


@pytest.mark.parametrize(
    ("reason", "why"),
    [
        (Reason.SHED, "what supplies the link is off, to spare the battery"),
        (Reason.NO_SUPPLY, "what supplies the link could not be switched on"),
        (Reason.NO_REPLY, "what supplies the link is not on: no reply within the time-out"),
    ],
)
async def test_a_supply_that_cannot_be_had_is_told_and_tried_again(
    mosquitto: Mosquitto, reason: Reason, why: str
) -> None:
    store, clock = MemoryStore(newest=5), ManualClock(START_MS)
    switch = Switch(reason, reason, Reason.OK, clock=clock)
    publisher = make_publisher(store, mosquitto.port, clock=clock, supply=switch.supply)
    async with running(publisher):
        await until(clock, lambda: publisher.state.why and clock.sleepers)
        assert publisher.state.why == why
        assert publisher.condition().doing in {"tried again in 1 s", "tried again in 2 s"}
        assert switch.log == [reason.slug]
        await pass_time_until(clock, lambda: len(store.sent) == 5)
        assert publisher.state.why == ""
    assert switch.log == [reason.slug, reason.slug, "on", "off"]


async def test_a_supply_that_takes_too_long_is_left_to_the_next_slot(mosquitto: Mosquitto) -> None:
    clock = ManualClock(START_MS)
    switch = Switch(clock=clock, warm_up=2 * WINDOW)
    publisher = make_publisher(
        MemoryStore(), 1, clock=clock, uplink={**VISITS, "publish": "1 h"}, supply=switch.supply
    )
    async with running(publisher):
        await asleep(clock, publisher)
        await clock.advance(1800.0 + WINDOW)
        await until(clock, lambda: not switch.on)
        assert publisher.state.why == "what supplies the link did not come on in time"
        assert publisher.condition().doing == "publishes next at 01:00"
        await clock.advance(3600.0 - WINDOW)
        assert switch.log == ["on", "off", "on"]


@pytest.mark.parametrize("end", ["stop", "shed", "rest"])
async def test_a_supply_that_still_warms_up_is_let_go_at_once(end: str) -> None:
    clock = ManualClock(START_MS)
    switch = Switch(clock=clock, warm_up=30.0)
    publisher = make_publisher(MemoryStore(), 1, clock=clock, supply=switch.supply)
    async with running(publisher):
        await until(clock, lambda: switch.on)
        if end == "stop":
            await publisher.stop()
        else:
            publisher.timetable = CLOSED if end == "shed" else AT_MIDNIGHT
        await until(clock, lambda: not switch.on)
        assert publisher.state.why in {"", "not connected yet"}
    assert switch.log == ["on", "off"]


async def test_a_publisher_that_is_cancelled_lets_go_of_its_supply(mosquitto: Mosquitto) -> None:
    clock = ManualClock(START_MS)
    for warm_up, reached in ((30.0, lambda p: True), (0.0, lambda p: p.state.connected)):
        switch = Switch(clock=clock, warm_up=warm_up)
        publisher = make_publisher(MemoryStore(), mosquitto.port, clock=clock, supply=switch.supply)
        async with running(publisher) as task:
            await until(clock, lambda s=switch, p=publisher, r=reached: s.on and r(p))
            task.cancel()
            await asyncio.wait({task})
            assert not switch.on


# ---------------------------------------------------------------------------------------- hours


async def within(clock: ManualClock, work: Callable[[], object], seconds: float) -> float:
    """Return after how many seconds of the clock the work is done."""
    begun = clock.monotonic()
    task = asyncio.ensure_future(work())
    await clock.settle()
    while not task.done() and clock.monotonic() - begun < seconds:
        await clock.advance(1.0)
    assert task.done()
    return clock.monotonic() - begun


async def test_a_pause_that_outlasts_the_window_closes_it() -> None:
    clock = ManualClock(START_MS)
    hours = Hours(Timetable(EVERY_MS, stay=False), clock)
    assert not hours.wanted
    hours.open_window()
    assert (hours.wanted, hours.window_left) == (True, WINDOW)
    assert await within(clock, lambda: hours.pause(90.0), 100) == pytest.approx(90.0)
    assert hours.window_left == WINDOW - 90.0
    assert await within(clock, lambda: hours.pause(WINDOW - 90.0), 10) == 0.0
    assert not hours.wanted
    assert hours.plan() == "publishes next at 06:35"


async def test_the_same_timetable_again_changes_nothing() -> None:
    clock = ManualClock(START_MS)
    hours = Hours(LINGERING, clock)
    hours.change(Timetable(EVERY_MS, None, DENVER), connected=True)
    assert hours.timetable is LINGERING
    hours.change(AT_MIDNIGHT, connected=False)
    assert not hours.wanted  # there is no connection to send what is pending
    hours.change(LINGERING, connected=False)
    assert hours.absence() == ("connects again at once", START_MS)
