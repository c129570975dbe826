"""The publisher against real brokers: what arrives, in what order, and what an outage does."""

import asyncio
import json
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from random import Random

import pytest
from structlog.testing import capture_logs

from edge.clock import Clock, SystemClock
from edge.health import Condition
from edge.journal.journal import JournalError
from edge.readings import Journalled
from edge.uplink import conversation as conversation_module
from edge.uplink import publisher as publisher_module
from edge.uplink.books import Books
from edge.uplink.publisher import Publisher
from edge.uplink.senml import decode
from edge.uplink.session import Allowances, Message
from edge.uplink.supply import Supply
from hw_fakes.broker import EmbeddedBroker
from hw_fakes.clock import ManualClock
from hw_fakes.link import CuttableLink
from tests.conftest import MakeMosquitto, Mosquitto, free_port
from tests.uplink.parts import (
    PATIENCE,
    Listener,
    MemoryStore,
    ash_creek,
    listening,
    read_packet,
    reading,
    scripted_broker,
    settings_for,
)

FIVE_MINUTES = 300.0
START_MS = 1_772_346_600_000  # a publish slot: a whole multiple of five minutes
READINGS = "livezero/ash-creek-2/readings"
STATUS = "livezero/ash-creek-2/status"


def make_publisher(
    store: MemoryStore,
    port: int,
    *,
    clock: Clock | None = None,
    allowances: Allowances | None = None,
    uplink: dict[str, object] | None = None,
    conditions: Callable[[], Sequence[Condition]] = tuple,
    supply: Supply | None = None,
    **broker: object,
) -> Publisher:
    station = ash_creek({"tls": False, **(uplink or {})})
    settings = settings_for(port, **broker)
    clock = clock or ManualClock(START_MS)
    return Publisher(
        station,
        store,
        settings,
        clock=clock,
        rng=Random(7),
        conditions=conditions,
        allowances=allowances,
        supply=supply,
    )


@asynccontextmanager
async def running(publisher: Publisher) -> AsyncIterator[asyncio.Task[None]]:
    """Run the publisher for the time of a block; afterwards stop it unless it has ended."""
    task = asyncio.ensure_future(publisher.run())
    try:
        yield task
    finally:
        if not task.done():
            await publisher.stop()
        with suppress(asyncio.CancelledError):
            await task


async def until(clock: ManualClock, condition: Callable[[], object]) -> None:
    """Give real I/O time, and let no time of the clock pass, until the condition holds."""
    async with asyncio.timeout(PATIENCE):
        while not condition():
            await clock.settle()
            await asyncio.sleep(0.001)


async def pass_time_until(clock: ManualClock, condition: Callable[[], object]) -> None:
    """Let the clock run, giving real I/O time as well, until the condition holds."""
    async with asyncio.timeout(PATIENCE):
        while not condition():
            await clock.advance(1.0)
            await asyncio.sleep(0.001)


class Receiver(Listener):
    """Keeps books of the readings it hears, and the last word on the station's status."""

    def __init__(self) -> None:
        super().__init__()
        self.books = Books()
        self.status: dict[str, object] = {}
        self.packs: list[bytes] = []
        self.on_message = self._enter

    def _enter(self, message: Message) -> None:
        if message.topic == STATUS:
            self.status = json.loads(message.payload)
        else:
            assert message.topic == READINGS
            self.packs.append(message.payload)
            self.books.enter(decode(message.payload))

    @property
    def numbers(self) -> list[tuple[int, int]]:
        return list(self.books.seen)


@asynccontextmanager
async def receiving(port: int, version: str = "5") -> AsyncIterator[Receiver]:
    receiver = Receiver()
    async with listening(settings_for(port, client_id="receiver"), "livezero/#", version, receiver):
        yield receiver


# ----------------------------------------------------------------------------------- the usual


async def test_a_station_announces_itself_and_sends_what_it_has(mosquitto: Mosquitto) -> None:
    store = MemoryStore(newest=1200)
    publisher = make_publisher(store, mosquitto.port)
    async with receiving(mosquitto.port) as receiver, running(publisher):
        await receiver.until(lambda: len(receiver.books.seen) == 1200)
        assert receiver.status["state"] == "online"
        assert receiver.books.duplicates == 0
        assert [one for pack in sorted(map(decode, receiver.packs), key=lambda p: p.first)
                for one in pack.readings] == [reading(seq) for seq in range(1, 1201)]  # fmt: skip
        await store.until(lambda: len(store.sent) == 1200)
        assert publisher.summary() == "connected, MQTT 5, 0 readings to send"
        state = publisher.state
        assert (state.connected, state.version, state.why) == (True, "5", "")
        assert (state.packs, state.readings, state.acknowledged_ms) == (3, 1200, START_MS)
        assert state.bytes == sum(map(len, receiver.packs))


async def test_readings_wait_for_their_slot_on_the_wall_clock(mosquitto: Mosquitto) -> None:
    store, clock = MemoryStore(newest=10), ManualClock(START_MS + 60_000)
    publisher = make_publisher(store, mosquitto.port, clock=clock)
    async with receiving(mosquitto.port) as receiver, running(publisher):
        await store.until(lambda: len(store.sent) == 10)
        await until(clock, lambda: clock.sleepers)
        store.sendable = 20
        await clock.advance(239.0)
        assert publisher.pending == 10
        assert store.fetched == [(1, 10)]
        await clock.advance(1.0)
        await receiver.until(lambda: receiver.numbers == [(1, 20)])


async def test_a_clock_set_back_holds_up_nothing_for_long(mosquitto: Mosquitto) -> None:
    store, clock = MemoryStore(newest=10), ManualClock(START_MS + 60_000)
    async with running(make_publisher(store, mosquitto.port, clock=clock)):
        await store.until(lambda: len(store.sent) == 10)
        await until(clock, lambda: clock.sleepers)
        clock.step(-7 * 86_400_000)
        store.sendable = 20
        await clock.advance(FIVE_MINUTES)
        await store.until(lambda: len(store.sent) == 20)


async def test_stopping_sends_the_rest_and_says_so(mosquitto: Mosquitto) -> None:
    store, clock = MemoryStore(newest=10), ManualClock(START_MS)
    publisher = make_publisher(store, mosquitto.port, clock=clock)
    async with receiving(mosquitto.port) as receiver, running(publisher) as task:
        await store.until(lambda: len(store.sent) == 10)
        await until(clock, lambda: clock.sleepers)
        store.sendable = 25
        await publisher.stop()
        await task
        await receiver.until(lambda: receiver.status.get("state") == "offline")
        assert receiver.status == {
            "state": "offline",
            "station": "ash-creek-2",
            "reason": "stopped",
        }
        assert receiver.numbers == list(store.sent) == [(1, 25)]
        assert publisher.summary() == "not connected: stopped, 0 readings to send"
    async with receiving(mosquitto.port) as latecomer:
        await latecomer.until(lambda: latecomer.status)
        assert latecomer.status["reason"] == "stopped"


async def test_a_crash_is_told_by_the_broker(mosquitto: Mosquitto) -> None:
    publisher = make_publisher(MemoryStore(), mosquitto.port)
    async with receiving(mosquitto.port) as receiver, running(publisher) as task:
        await receiver.until(lambda: receiver.status.get("state") == "online")
        task.cancel()
        await receiver.until(lambda: receiver.status.get("state") == "offline")
        assert receiver.status["reason"] == "connection lost"
        assert not publisher.state.connected


async def test_a_broker_of_the_older_version_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    store, clock = MemoryStore(newest=700), ManualClock(START_MS)
    async with EmbeddedBroker() as broker:
        publisher = make_publisher(store, broker.port, clock=clock)
        async with receiving(broker.port, "3.1.1") as receiver, running(publisher):
            await pass_time_until(clock, lambda: len(store.sent) == 700)
            await receiver.until(lambda: len(receiver.books.seen) == 700)
            assert publisher.state.version == "3.1.1"
            assert receiver.status["state"] == "online"


# ------------------------------------------------------------------------------------- backlogs


async def test_a_backlog_drains_with_a_bounded_number_of_readings_under_way(
    mosquitto: Mosquitto,
) -> None:
    store = MemoryStore(newest=20_000)
    uplink = {"window": 3, "pack_readings": 400}
    async with (
        receiving(mosquitto.port) as receiver,
        running(make_publisher(store, mosquitto.port, uplink=uplink)),
    ):
        await receiver.until(lambda: len(receiver.books.seen) == 20_000)
        assert receiver.books.duplicates == 0
        assert receiver.books.packs == 50
        assert store.most_under_way <= 3 * 400


async def test_the_broker_may_ask_for_fewer_under_way(make_mosquitto: MakeMosquitto) -> None:
    broker = make_mosquitto("allow_anonymous true", "max_inflight_messages 2")
    store = MemoryStore(newest=1000)
    async with running(make_publisher(store, broker.port, uplink={"pack_readings": 50})):
        await store.until(lambda: len(store.sent) == 1000)
        assert store.most_under_way <= 2 * 50


async def test_after_an_outage_the_newest_readings_come_first(mosquitto: Mosquitto) -> None:
    store, clock = MemoryStore(newest=100), ManualClock(START_MS)
    async with (
        CuttableLink(mosquitto.host, mosquitto.port) as link,
        receiving(mosquitto.port) as receiver,
        running(make_publisher(store, link.port, clock=clock)),
    ):
        await store.until(lambda: len(store.sent) == 100)
        await link.cut()
        store.sendable = 3100
        await clock.advance(3600)
        await link.restore()
        await pass_time_until(clock, lambda: len(receiver.books.seen) == 3100)
        packs = [decode(pack) for pack in receiver.packs]
        live, newest, *backlog = [(pack.first, pack.last) for pack in packs]
        assert (live, newest) == ((1, 100), (2601, 3100))
        assert backlog == [(first, first + 499) for first in range(101, 2601, 500)]


async def test_packs_are_cut_to_what_the_broker_takes(make_mosquitto: MakeMosquitto) -> None:
    broker = make_mosquitto("allow_anonymous true", "max_packet_size 2000")
    store = MemoryStore(newest=1000)
    async with receiving(broker.port) as receiver, running(make_publisher(store, broker.port)):
        await receiver.until(lambda: len(receiver.books.seen) == 1000)
        assert receiver.books.duplicates == 0
        assert max(map(len, receiver.packs)) < 2000


async def test_a_status_too_large_for_the_broker_holds_up_no_readings(
    make_mosquitto: MakeMosquitto,
) -> None:
    broker = make_mosquitto("allow_anonymous true", "max_packet_size 500")
    store = MemoryStore(newest=10)
    with capture_logs() as logs:
        async with running(make_publisher(store, broker.port)):
            await store.until(lambda: len(store.sent) == 10)
    assert "the station's status is too large for the broker" in [log.get("why") for log in logs]


async def test_readings_deleted_meanwhile_are_passed_over(mosquitto: Mosquitto) -> None:
    store = MemoryStore(newest=100)
    store.deleted.add(1, 60)
    publisher = make_publisher(store, mosquitto.port, uplink={"pack_readings": 20})
    publisher.dropped(1, 20)
    async with receiving(mosquitto.port) as receiver, running(publisher):
        await receiver.until(lambda: receiver.numbers == [(61, 100)])
        await store.until(lambda: list(store.sent) == [(21, 100)])
        assert publisher.pending == 0
        assert (1, 20) not in store.fetched


async def test_readings_that_cannot_be_read_hold_up_no_others(mosquitto: Mosquitto) -> None:
    class Damaged(MemoryStore):
        sound = False

        async def fetch(self, first: int, last: int) -> list[Journalled]:
            if not self.sound and first <= 20 and last >= 20:
                raise JournalError("disk image is malformed")
            return await super().fetch(first, last)

    store, clock = Damaged(newest=100), ManualClock(START_MS)
    publisher = make_publisher(store, mosquitto.port, clock=clock, uplink={"pack_readings": 10})
    why = "the journal cannot be read: disk image is malformed"
    with capture_logs() as logs:
        async with receiving(mosquitto.port) as receiver, running(publisher) as task:
            await receiver.until(lambda: receiver.numbers == [(1, 10), (21, 100)])
            store.sendable = 105
            await pass_time_until(clock, lambda: receiver.numbers == [(1, 19), (21, 105)])
            await until(clock, lambda: publisher.pending == 1)
            assert publisher.state.why == why
            store.sound = True
            await pass_time_until(clock, lambda: receiver.numbers == [(1, 105)])
            await until(clock, lambda: publisher.state.why == "")
            assert not task.done()
            assert receiver.books.duplicates == 0
    assert why in [log.get("why") for log in logs]


# ------------------------------------------------------------------------------------- outages


async def test_nothing_is_lost_and_every_duplicate_told_when_acknowledgements_get_lost(
    mosquitto: Mosquitto,
) -> None:
    """The link passes what is sent and swallows what comes back, as half-open connections do."""
    store, clock = MemoryStore(newest=0), ManualClock(START_MS)
    allowances = Allowances(acknowledgement=1.0)
    async with (
        CuttableLink(mosquitto.host, mosquitto.port) as link,
        receiving(mosquitto.port) as receiver,
        running(make_publisher(store, link.port, clock=clock, allowances=allowances)) as task,
    ):
        await receiver.until(lambda: receiver.status.get("state") == "online")
        await until(clock, lambda: clock.sleepers)
        link.hang(replies_only=True)
        store.sendable = 5000
        await clock.advance(FIVE_MINUTES)
        await receiver.until(lambda: len(receiver.books.seen) == 4000)  # a full window
        assert not store.sent
        # The session ends, and the will tells; only then is there a way back.
        await receiver.until(lambda: receiver.status.get("state") == "offline")
        await link.restore()
        store.sendable = 5010  # so that the packs are cut at other places than before
        await pass_time_until(clock, lambda: len(store.sent) == 5010)
        await receiver.until(lambda: receiver.books.arrived == 5010 + 4000)
        assert receiver.books.gaps() == []
        assert receiver.books.duplicates == 4000
        assert not task.done()


async def test_a_broker_restarted_in_mid_stream_gets_everything(mosquitto: Mosquitto) -> None:
    store, clock = MemoryStore(newest=0), ManualClock(START_MS)
    publisher = make_publisher(store, mosquitto.port, clock=clock)
    async with running(publisher):
        async with receiving(mosquitto.port) as before:
            # Only now: a broker keeps nothing for a receiver that has not subscribed yet.
            store.sendable = 1000
            await pass_time_until(clock, lambda: len(store.sent) == 1000)
            await before.until(lambda: len(before.books.seen) == 1000)
            await until(clock, lambda: clock.sleepers)
            store.sendable = 3000
            store.gate.clear()
            await clock.advance(FIVE_MINUTES)
            await store.waiting_at_gate.wait()
            mosquitto.restart()
            store.gate.set()
        await until(clock, lambda: not publisher.state.connected)
        async with receiving(mosquitto.port) as after:
            await pass_time_until(clock, lambda: len(store.sent) == 3000)
            await after.until(lambda: len(after.books.seen) == 2000)
            assert after.numbers == [(1001, 3000)]
            assert after.status["state"] == "online"


async def test_a_broker_killed_in_mid_flight_gets_what_it_has_not_acknowledged(
    mosquitto: Mosquitto,
) -> None:
    store, clock = MemoryStore(newest=20_000), ManualClock(START_MS)
    publisher = make_publisher(store, mosquitto.port, clock=clock, uplink={"pack_readings": 100})
    async with running(publisher):
        await store.until(lambda: len(store.sent) >= 2000)
        mosquitto.kill()
        await until(clock, lambda: not publisher.state.connected)
        acknowledged = set(numbers_in(store.sent))
        assert 0 < len(acknowledged) < 20_000
        mosquitto.start()
        async with receiving(mosquitto.port) as receiver:
            await pass_time_until(clock, lambda: len(store.sent) == 20_000)
            await receiver.until(lambda: len(receiver.books.seen) == 20_000 - len(acknowledged))
            assert set(numbers_in(receiver.books.seen)) == set(range(1, 20_001)) - acknowledged


def numbers_in(ranges: object) -> list[int]:
    return [number for first, last in ranges for number in range(first, last + 1)]


async def test_an_absent_broker_is_told_once_and_tried_again() -> None:
    store, clock, port = MemoryStore(newest=5), ManualClock(START_MS), free_port()
    publisher = make_publisher(store, port, clock=clock)
    why = f"connection refused: nothing listens on 127.0.0.1:{port}"
    with capture_logs() as logs:
        async with running(publisher):
            await until(clock, lambda: publisher.state.why == why)
            for _ in range(4):
                await until(clock, lambda: clock.sleepers)
                await clock.advance(300.0)
            assert publisher.summary() == f"not connected: {why}, 5 readings to send"
            await until(clock, lambda: clock.sleepers)
    assert [log["why"] for log in logs] == [why]


# ------------------------------------------------------------------------------------ refusals


async def test_a_wrong_password_is_told_and_tried_again_until_it_is_right(
    mosquitto_with_password: Mosquitto, tmp_path: Path
) -> None:
    broker = mosquitto_with_password
    passwords = (tmp_path / "passwords").read_text()
    (tmp_path / "passwords").write_text("")
    broker.restart()
    store, clock = MemoryStore(newest=5), ManualClock(START_MS)
    publisher = make_publisher(
        store, broker.port, clock=clock, username="ash-creek-2", password="live zero"
    )
    with capture_logs() as logs:
        async with running(publisher):
            for _ in range(3):
                await until(clock, lambda: clock.sleepers)
                assert publisher.state.why == "not authorised"
                await clock.advance(300.0)
            await until(clock, lambda: clock.sleepers)
            (tmp_path / "passwords").write_text(passwords)
            broker.restart()
            await pass_time_until(clock, lambda: len(store.sent) == 5)
    whys = [log["why"] for log in logs if "why" in log]
    assert whys == ["not authorised"]


async def test_a_quota_used_up_throws_nothing_away() -> None:
    """The broker stays connected and refuses two messages; the next slot tries again."""
    refusals = 2
    accepted: list[bytes] = []

    async def count(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal refusals
        await read_packet(reader)
        writer.write(b"\x20\x03\x00\x00\x00")
        while (packet := await read_packet(reader))[0] & 0xF0 == 0x30:
            length = int.from_bytes(packet[1][:2], "big")
            number = packet[1][2 + length : 4 + length]
            if packet[1][2 : 2 + length] == READINGS.encode() and refusals:
                refusals -= 1
                writer.write(b"\x40\x04" + number + b"\x97\x00")
            else:
                accepted.append(packet[1])
                writer.write(b"\x40\x02" + number)

    store, clock = MemoryStore(newest=30), ManualClock(START_MS)
    async with scripted_broker(count) as settings:
        publisher = make_publisher(store, settings.port, clock=clock, uplink={"pack_readings": 10})
        with capture_logs() as logs:
            async with running(publisher):
                await until(clock, lambda: publisher.pending == 20)
                await until(clock, lambda: clock.sleepers)
                assert publisher.state.why == "the broker refuses readings: quota exceeded"
                assert publisher.state.connected
                condition = publisher.condition()
                assert condition.found == (
                    "connected to the broker, but the broker refuses readings: quota exceeded; "
                    "20 readings wait to be sent"
                )
                assert condition.doing == "tried again in 300 s"
                await clock.advance(FIVE_MINUTES)
                await store.until(lambda: len(store.sent) == 30)
                assert publisher.state.why == ""
    assert [log["event"] for log in logs].count("broker takes readings") == 1


async def test_a_status_refused_holds_up_no_readings(
    make_mosquitto: MakeMosquitto, tmp_path: Path
) -> None:
    (tmp_path / "rights").write_text(f"topic write {READINGS}\n")
    broker = make_mosquitto("allow_anonymous true", f"acl_file {tmp_path / 'rights'}")
    store = MemoryStore(newest=10)
    with capture_logs() as logs:
        async with running(make_publisher(store, broker.port)):
            await store.until(lambda: len(store.sent) == 10)
    why = "the broker refuses the station's status: not authorised"
    assert why in [log.get("why") for log in logs]


# ------------------------------------------------------------------------------------- stopping


async def test_stopping_does_not_wait_for_a_broker_that_does_not_answer() -> None:
    reached = asyncio.Event()

    async def keep_silent(reader: asyncio.StreamReader, _: asyncio.StreamWriter) -> None:
        reached.set()
        await reader.read()

    async with scripted_broker(keep_silent) as settings:
        async with running(make_publisher(MemoryStore(), settings.port)) as task:
            await reached.wait()
        assert task.done()


async def test_stopping_gives_a_broker_that_acknowledges_nothing_little_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(publisher_module, "_LAST_SENDING", 0.05)
    monkeypatch.setattr(conversation_module, "_FAREWELL", 0.05)
    reached = asyncio.Event()

    async def swallow(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await read_packet(reader)
        writer.write(b"\x20\x03\x00\x00\x00")
        await read_packet(reader)
        reached.set()
        await reader.read()

    store = MemoryStore(newest=10)
    async with scripted_broker(swallow) as settings:
        async with running(make_publisher(store, settings.port, clock=SystemClock())) as task:
            await reached.wait()
        assert task.done()
    assert not store.sent


async def test_stopping_a_publisher_that_does_not_run_returns() -> None:
    publisher = make_publisher(MemoryStore(), 1)
    await publisher.stop()
    await publisher.run()


async def test_a_store_that_fails_is_a_defect_and_the_publisher_can_be_started_again(
    mosquitto: Mosquitto,
) -> None:
    store = MemoryStore(newest=10)
    publisher = make_publisher(store, mosquitto.port)
    sound, store.fetch = store.fetch, None
    with pytest.raises(TypeError):
        await publisher.run()
    store.fetch = sound
    async with running(publisher):
        await store.until(lambda: len(store.sent) == 10)


def test_a_station_without_an_uplink_publishes_nothing() -> None:
    station = ash_creek().model_copy(update={"uplink": None})
    with pytest.raises(ValueError, match="without an uplink"):
        Publisher(station, MemoryStore(), settings_for(1), clock=SystemClock(), rng=Random())
