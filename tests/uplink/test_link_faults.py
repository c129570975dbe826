"""What brokers and links do to a publisher, and what it makes of it: one fault a test."""

import asyncio
import json
import socket
from pathlib import Path

import pytest

from edge.health import Condition
from edge.journal.journal import JournalError
from edge.journal.ranges import RangeSet
from edge.readings import Gap, Journalled, WhyGone
from edge.status import Category
from edge.uplink.senml import decode
from edge.uplink.session import Allowances, Session
from edge.uplink.stated_gaps import decode_gaps
from hw_fakes.clock import ManualClock
from hw_fakes.link import CuttableLink
from tests.conftest import MakeMosquitto, Mosquitto
from tests.uplink.parts import (
    MemoryStore,
    PickyBroker,
    Publication,
    listening,
    read_packet,
    reading,
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
    running,
    until,
)

GAPS = "livezero/ash-creek-2/gaps"
YES = b""
YES_AND_TAKEN_OVER = b"\xe0\x02\x8e\x00"


def numbers(publication: Publication) -> list[int]:
    """Return the numbers of the readings in a message, none for any other message."""
    if publication.topic != READINGS:
        return []
    return [one.seq for one in decode(publication.payload).readings]


def numbers_taken(broker: PickyBroker) -> list[int]:
    return [number for one in broker.taken for number in numbers(one)]


# ------------------------------------------------------------------------------ live and backlog


async def test_live_readings_keep_their_slots_while_a_backlog_drains() -> None:
    """Every pack takes two seconds; at a share of a fifth the backlog takes many slots."""
    store, clock = MemoryStore(newest=10_000), ManualClock(START_MS)
    slots = 4
    came: list[tuple[str, float]] = []

    async def answer(publication: Publication) -> bytes:
        if found := numbers(publication):
            came.append(("live" if found[-1] > 9900 else "backlog", clock.monotonic()))
            await clock.sleep(2.0)
        return YES

    broker = PickyBroker(answer)
    uplink = {
        "window": 2,
        "pack_readings": 100,
        "backlog_share": "20 %",
        "publish": "1 min",
    }
    async with scripted_broker(broker.talk) as settings:
        publisher = make_publisher(
            store, settings.port, clock=clock, uplink=uplink, protocol="3.1.1"
        )
        async with running(publisher):
            await until(clock, lambda: came)
            for _ in range(slots):
                store.sendable += 40
                for _ in range(60):
                    await clock.advance(1.0)
                    await asyncio.sleep(0.001)
                busy = 2.0 * sum(kind == "backlog" for kind, _ in came)
                assert busy <= 0.2 * clock.monotonic() + 10.0 + 2.0
            await until(clock, lambda: [kind for kind, _ in came].count("live") == 1 + slots)
            heard = list(came)
    assert [kind for kind, _ in heard].count("backlog") >= 2
    for slot in range(1, 1 + slots):
        after = [kind for kind, at in heard if at >= 60.0 * slot - 0.5]
        # What was on its way at the slot comes before, but nothing else does.
        assert "live" in after[:2]
    got = numbers_taken(broker)
    assert len(got) == len(set(got))


async def test_a_backlog_leaves_a_place_for_live_readings() -> None:
    """The broker holds back its answers to the backlog; live readings go all the same."""
    store, clock = MemoryStore(newest=1000), ManualClock(START_MS)
    held = asyncio.Event()
    under_way: list[int] = []

    async def answer(publication: Publication) -> bytes:
        if (found := numbers(publication)) and found[0] <= 900:
            under_way.append(found[0])
            broker.changed()
            await held.wait()
        return YES

    broker = PickyBroker(answer)
    uplink = {"window": 3, "pack_readings": 100}
    async with scripted_broker(broker.talk) as settings:
        publisher = make_publisher(
            store, settings.port, clock=clock, uplink=uplink, protocol="3.1.1"
        )
        async with running(publisher):
            await broker.until(lambda: len(under_way) == 2)
            store.sendable = 1040
            await pass_time_until(clock, lambda: 1040 in numbers_taken(broker))
            assert under_way == [1, 101]
            held.set()
            await pass_time_until(clock, lambda: len(store.sent) == 1040)
    assert numbers_taken(broker)[:140] == [*range(901, 1001), *range(1001, 1041)]


async def test_where_few_readings_are_left_a_pack_spans_many_numbers(mosquitto: Mosquitto) -> None:
    store, clock = MemoryStore(newest=5000), ManualClock(START_MS)
    for first in range(1, 4500, 100):
        store.deleted.add(first, first + 98)
    publisher = make_publisher(store, mosquitto.port, clock=clock)
    async with running(publisher):
        await store.until(lambda: len(store.sent) == 5000)
        assert publisher.state.readings == 500 + 45
        assert publisher.state.packs == 2


async def test_where_no_readings_are_left_nothing_is_sent(mosquitto: Mosquitto) -> None:
    store = MemoryStore(newest=40_000)
    store.deleted.add(1, 39_500)
    publisher = make_publisher(store, mosquitto.port)
    async with running(publisher):
        await store.until(lambda: len(store.sent) == 40_000)
        await store.until(lambda: publisher.pending == 0)
        assert (publisher.state.packs, publisher.state.readings) == (1, 500)


async def test_a_journal_that_cannot_be_read_at_all_is_left_in_peace_until_the_next_slot(
    mosquitto: Mosquitto,
) -> None:
    asked = 0

    class Broken(MemoryStore):
        async def fetch(self, first: int, last: int) -> list[Journalled]:
            nonlocal asked
            asked += 1
            raise JournalError("disk I/O error")

    store, clock = Broken(newest=10_000), ManualClock(START_MS)
    publisher = make_publisher(store, mosquitto.port, clock=clock)
    async with running(publisher):
        for slot in range(1, 4):
            await until(clock, lambda n=slot: asked == 3 * n)
            await until(clock, lambda: clock.sleepers)
            assert publisher.state.why == "the journal cannot be read: disk I/O error"
            store.sendable += 1
            await clock.advance(FIVE_MINUTES)


# ---------------------------------------------------------------------------------- stated gaps


async def test_gaps_are_stated_until_the_broker_has_heard_of_them(mosquitto: Mosquitto) -> None:
    store, clock = MemoryStore(newest=10), ManualClock(START_MS)
    gaps = [Gap(n, n, WhyGone.DROPPED, START_MS, None, START_MS) for n in range(100, 145)]
    store.gaps = list(gaps)
    async with (
        listening(settings_for(mosquitto.port, client_id="receiver"), GAPS) as heard,
        running(make_publisher(store, mosquitto.port, clock=clock)),
    ):
        await store.until(lambda: not store.gaps)
        later = Gap(200, 300, WhyGone.THINNED, None, None, START_MS)
        store.gaps.append(later)
        await pass_time_until(clock, lambda: not store.gaps)
        await heard.until(lambda: len(heard.messages) == 4)
    assert not any(message.retained for message in heard.messages)
    statements = [decode_gaps(message.payload) for message in heard.messages]
    assert [gap for one in statements for gap in one.gaps] == [*gaps, later]
    assert {(one.station, one.journal) for one in statements} == {("ash-creek-2", store.identity)}


async def test_gaps_of_a_journal_that_was_replaced_are_not_told_to_the_new_one() -> None:
    async def replace(publication: Publication) -> bytes:
        if publication.topic == GAPS:
            store.identity = "1234567890abcdef"
        return YES

    broker = PickyBroker(replace)
    store, clock = MemoryStore(newest=10), ManualClock(START_MS)
    store.gaps = [Gap(100, 200, WhyGone.LOST, None, None, START_MS)]
    async with scripted_broker(broker.talk) as settings:
        publisher = make_publisher(store, settings.port, clock=clock, protocol="3.1.1")
        async with running(publisher):
            await store.until(lambda: len(store.sent) == 10)
            assert store.gaps


async def test_gaps_that_may_not_be_stated_hold_up_nothing(
    make_mosquitto: MakeMosquitto, tmp_path
) -> None:
    (tmp_path / "rights").write_text(f"topic write {READINGS}\ntopic write {STATUS}\n")
    broker = make_mosquitto("allow_anonymous true", f"acl_file {tmp_path / 'rights'}")
    store = MemoryStore(newest=10)
    store.gaps = [Gap(100, 200, WhyGone.LOST, None, None, START_MS)]
    async with running(make_publisher(store, broker.port)):
        await store.until(lambda: len(store.sent) == 10)
    assert store.gaps


async def test_a_broker_that_hangs_up_on_gaps_gets_the_readings() -> None:
    bears_gaps = False

    async def answer(publication: Publication) -> bytes | None:
        return YES if bears_gaps or publication.topic != GAPS else None

    broker = PickyBroker(answer)
    store, clock = MemoryStore(newest=10), ManualClock(START_MS)
    store.gaps = [Gap(n, n, WhyGone.LOST, None, None, START_MS) for n in (100, 102)]
    async with scripted_broker(broker.talk) as settings:
        publisher = make_publisher(store, settings.port, clock=clock, protocol="3.1.1")
        async with running(publisher):
            await pass_time_until(clock, lambda: len(store.sent) == 10)
            assert broker.connections == 3
            bears_gaps = True
            await pass_time_until(clock, lambda: not store.gaps)
    gaps = [decode_gaps(one.payload).gaps for one in broker.taken if one.topic == GAPS]
    assert [len(one) for one in gaps] == [1, 1]


async def test_nothing_is_said_beyond_what_the_broker_bears_under_way() -> None:
    """Its Receive Maximum is 1 (MQTT 5.0, section 3.2.2.3.3)."""
    under_way = most = 0

    async def answer(publication: Publication) -> bytes:
        nonlocal under_way, most
        under_way += 1
        most = max(most, under_way)
        await clock.sleep(700.0 if publication.topic == READINGS else 0.0)
        under_way -= 1
        return YES

    broker = PickyBroker(answer, version="5", properties=b"\x21\x00\x01")
    store, clock = MemoryStore(newest=40), ManualClock(START_MS)
    conditions: list[Condition] = []
    async with scripted_broker(broker.talk) as settings:
        publisher = make_publisher(store, settings.port, clock=clock, conditions=lambda: conditions)
        async with running(publisher):
            await until(clock, lambda: under_way and broker.taken)
            conditions.append(Condition("journal", Category.FAILURE, "the disk is full"))
            await pass_time_until(clock, lambda: len(broker.taken) == 3)
    assert [one.topic for one in broker.taken[:3]] == [STATUS, READINGS, STATUS]
    assert most == 1


async def test_packs_name_the_journal(mosquitto: Mosquitto) -> None:
    store = MemoryStore(newest=10)
    async with (
        listening(settings_for(mosquitto.port, client_id="receiver"), READINGS) as heard,
        running(make_publisher(store, mosquitto.port)),
    ):
        await heard.until(lambda: heard.messages)
    assert decode(heard.messages[0].payload).journal == store.identity


async def test_a_journal_replaced_under_way_is_begun_anew(mosquitto: Mosquitto) -> None:
    """Numbers begin at 1 again; what the old one still had under way is not put to the new one."""
    store, clock = MemoryStore(newest=100), ManualClock(START_MS)
    publisher = make_publisher(store, mosquitto.port, clock=clock, uplink={"pack_readings": 10})
    async with (
        listening(settings_for(mosquitto.port, client_id="receiver"), READINGS) as heard,
        running(publisher),
    ):
        await store.until(lambda: len(store.sent) == 100)
        store.sendable = 200
        store.gate.clear()
        await pass_time_until(clock, store.waiting_at_gate.is_set)
        store.identity, store.sendable, store.sent = "1234567890abcdef", 30, RangeSet([(1, 5)])
        store.gate.set()
        await pass_time_until(clock, lambda: list(store.sent) == [(1, 30)])
        assert publisher.pending == 0
        await heard.until(lambda: len(heard.messages) == 13)
    packs = [decode(message.payload) for message in heard.messages]
    found = sorted((pack.first, pack.last) for pack in packs if pack.journal == store.identity)
    assert found == [(6, 15), (16, 20), (21, 30)]
    assert max(pack.last for pack in packs) == 100


# --------------------------------------------------------------------------------------- status


async def test_the_status_is_told_again_when_a_part_changes(mosquitto: Mosquitto) -> None:
    clock = ManualClock(START_MS)
    unsound = Condition("bus rs485", Category.FAILURE, "the port is not there", "tried again")
    conditions = [Condition("clock", Category.NORMAL, "set by a time server")]
    publisher = make_publisher(
        MemoryStore(), mosquitto.port, clock=clock, conditions=lambda: conditions
    )
    async with (
        listening(settings_for(mosquitto.port, client_id="receiver"), STATUS) as heard,
        running(publisher),
    ):
        await heard.until(lambda: len(heard.messages) == 1)
        await until(clock, lambda: clock.sleepers)
        await clock.advance(FIVE_MINUTES)
        conditions.append(unsound)
        await until(clock, lambda: clock.sleepers)
        await clock.advance(FIVE_MINUTES)
        await heard.until(lambda: len(heard.messages) == 2)
    first, second, *farewell = [json.loads(message.payload) for message in heard.messages]
    assert (first["clock"]["trusted"], first["health"]) == (True, [])
    assert [one["part"] for one in second["health"]] == ["bus rs485"]
    assert first["since"] == second["since"]
    assert not farewell or farewell[0]["state"] == "offline"


async def test_how_the_link_is_in_words(mosquitto: Mosquitto) -> None:
    store, clock = MemoryStore(newest=5), ManualClock(START_MS)
    publisher = make_publisher(store, mosquitto.port, clock=clock)
    condition = publisher.condition()
    assert (condition.part, condition.category) == ("link", Category.FAILURE)
    assert (condition.found, condition.doing) == (
        "not connected to the broker: not connected yet; 5 readings wait to be sent",
        "connecting",
    )
    mosquitto.kill()
    async with running(publisher):
        await until(clock, lambda: clock.sleepers)
        condition = publisher.condition()
        assert condition.found == (
            "not connected to the broker: connection refused: nothing listens on "
            f"127.0.0.1:{mosquitto.port}; 5 readings wait to be sent"
        )
        assert condition.doing in {"tried again in 1 s", "tried again in 2 s"}
        mosquitto.start()
        await pass_time_until(clock, lambda: len(store.sent) == 5)
        condition = publisher.condition()
        assert (condition.sound, condition.doing) == (True, "")
        assert condition.found == "connected, MQTT 5; 0 readings wait to be sent"


# --------------------------------------------------------------------------------------- faults


async def test_a_name_that_cannot_be_resolved(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_such_name(*_args: object, **_options: object) -> None:
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", no_such_name)
    clock = ManualClock(START_MS)
    publisher = make_publisher(MemoryStore(), 1883, clock=clock)
    async with running(publisher):
        await until(clock, lambda: clock.sleepers)
        assert publisher.state.why == "the name 127.0.0.1 cannot be resolved"
        await clock.advance(3.0)  # and it is tried again
        await until(clock, lambda: clock.sleepers)


async def test_a_broker_that_never_acknowledges_is_tried_less_and_less_often() -> None:
    at: dict[int, float] = {}

    async def never(publication: Publication) -> bytes:
        if publication.topic == READINGS:
            at.setdefault(publication.client, clock.monotonic())
            await asyncio.Event().wait()
        return YES

    broker = PickyBroker(never)
    store, clock = MemoryStore(newest=50), ManualClock(START_MS)
    async with scripted_broker(broker.talk) as settings:
        publisher = make_publisher(
            store,
            settings.port,
            clock=clock,
            protocol="3.1.1",
            allowances=Allowances(acknowledgement=0.02, farewell=0.02),
        )
        async with running(publisher):
            for tries in range(1, 7):
                await pass_time_until(clock, lambda n=tries: broker.connections == n)
                await until(clock, lambda n=tries: n in at)
                await until(clock, lambda: not publisher.state.connected)
            assert "has acknowledged nothing" in publisher.state.why
    assert [at[n + 1] - at[n] >= 2 ** (n - 1) for n in range(1, 6)] == 5 * [True]


async def test_a_broker_that_hangs_up_on_large_packs_gets_small_ones(
    make_mosquitto: MakeMosquitto,
) -> None:
    """In MQTT 3.1.1 a broker cannot say what it bears. The status, too, is too large for this."""
    mosquitto = make_mosquitto("allow_anonymous true", "max_packet_size 900")
    store, clock = MemoryStore(newest=1000), ManualClock(START_MS)
    publisher = make_publisher(store, mosquitto.port, clock=clock, protocol="3.1.1")
    async with (
        listening(settings_for(mosquitto.port, client_id="receiver"), STATUS) as heard,
        running(publisher),
    ):
        await pass_time_until(clock, lambda: len(store.sent) == 1000)
        await heard.until(lambda: heard.messages)
    said = [json.loads(message.payload) for message in heard.messages]
    assert {"state", "station", "since"} in [one.keys() for one in said]


@pytest.mark.parametrize("poison", [37, 400])
async def test_a_reading_that_never_gets_through_holds_up_no_others(poison: int) -> None:
    """The broker hangs up on whatever holds that reading, in the backlog or the newest of all."""

    async def choke(publication: Publication) -> bytes | None:
        return None if poison in numbers(publication) else YES

    broker = PickyBroker(choke)
    store, clock = MemoryStore(newest=400), ManualClock(START_MS)
    async with scripted_broker(broker.talk) as settings:
        publisher = make_publisher(
            store,
            settings.port,
            clock=clock,
            protocol="3.1.1",
            uplink={"pack_readings": 50},
        )
        async with running(publisher):
            await pass_time_until(clock, lambda: len(store.sent) == 399)
            assert poison not in store.sent
            store.sendable = 440
            await pass_time_until(clock, lambda: len(store.sent) == 439)
            assert publisher.pending == 1


async def test_a_pack_that_is_always_refused_holds_up_no_others() -> None:
    refusing = True

    async def refuse(publication: Publication) -> bytes:
        return b"\x99\x00" if refusing and 37 in numbers(publication) else YES

    broker = PickyBroker(refuse, version="5")
    store, clock = MemoryStore(newest=400), ManualClock(START_MS)
    async with scripted_broker(broker.talk) as settings:
        publisher = make_publisher(store, settings.port, clock=clock, uplink={"pack_readings": 10})
        async with running(publisher):
            await store.until(lambda: len(store.sent) == 390)
            assert publisher.state.why == (
                "the broker refuses readings: the broker does not accept the payload's format"
            )
            refusing = False
            await pass_time_until(clock, lambda: len(store.sent) == 400)
            await until(clock, lambda: publisher.state.why == "")
    assert broker.connections == 1
    assert numbers_taken(broker)[-10:] == list(range(31, 41))


async def test_a_broker_that_refuses_everything_is_not_sent_everything_over_and_over() -> None:
    asked = 0

    async def refuse(publication: Publication) -> bytes:
        nonlocal asked
        asked += publication.topic == READINGS
        return b"\x97\x00" if publication.topic == READINGS else YES

    broker = PickyBroker(refuse, version="5")
    store, clock = MemoryStore(newest=5000), ManualClock(START_MS)
    async with scripted_broker(broker.talk) as settings:
        publisher = make_publisher(
            store, settings.port, clock=clock, uplink={"pack_readings": 10, "window": 4}
        )
        async with running(publisher):
            for _ in range(3):
                store.sendable += 10
                await pass_time_until(clock, lambda n=asked: asked > n)
                await until(clock, lambda: not publisher._sender.under_way)
            assert asked <= 3 * (4 + 2)
            assert publisher.state.connected


async def test_a_reading_too_large_for_the_broker_is_set_aside(
    make_mosquitto: MakeMosquitto,
) -> None:
    """In MQTT 5 the broker says beforehand what it bears."""
    broker = make_mosquitto("allow_anonymous true", "max_packet_size 230")

    class LongNamed(MemoryStore):
        async def fetch(self, first: int, last: int):
            found = await super().fetch(first, last)
            return [r._replace(series="s" * 200) if r.seq == 7 else r for r in found]

    store, clock = LongNamed(newest=20), ManualClock(START_MS)
    publisher = make_publisher(store, broker.port, clock=clock)
    async with running(publisher):
        await until(clock, lambda: len(store.sent) == 19)
        assert list(store.sent) == [(1, 6), (8, 20)]
        assert publisher.state.why == "a reading is too large for the broker"


async def test_another_client_with_the_same_id_is_no_ping_pong() -> None:
    async def take_over(publication: Publication) -> bytes:
        # The acknowledgement, and with it DISCONNECT with reason 142.
        return YES if publication.topic == STATUS else YES_AND_TAKEN_OVER

    broker = PickyBroker(take_over, version="5")
    store, clock = MemoryStore(newest=5), ManualClock(START_MS)
    async with scripted_broker(broker.talk) as settings:
        publisher = make_publisher(store, settings.port, clock=clock)
        async with running(publisher):
            await until(clock, lambda: store.sent and not publisher.state.connected)
            await until(clock, lambda: clock.sleepers)
            assert publisher.state.why == (
                'another client uses the client id "ash-creek-2" and has taken over the connection'
            )
            await clock.advance(149.0)
            assert broker.connections == 1
            await pass_time_until(clock, lambda: broker.connections == 2)


@pytest.mark.parametrize("version", ["3.1.1", "5"])
async def test_a_broker_need_not_say_that_another_took_over(
    mosquitto: Mosquitto, version: str
) -> None:
    store, clock = MemoryStore(newest=5), ManualClock(START_MS)
    publisher = make_publisher(store, mosquitto.port, clock=clock, protocol=version)
    pauses = []
    async with running(publisher):
        for turn in range(1, 7):
            store.sendable = 5 * turn
            await pass_time_until(clock, lambda n=turn: len(store.sent) == 5 * n)
            other = Session(settings_for(mosquitto.port), version)
            await other.connect()
            await until(clock, lambda: not publisher.state.connected and clock.sleepers)
            pauses.append(publisher._hours.next_try - clock.monotonic())
            await other.close()
        assert publisher.state.why == (
            "the connection was lost, each time soon after it began: "
            'does another use the client id "ash-creek-2"?'
        )
    # Each has put out the other at once; soon neither comes back within a quarter of a minute.
    assert [pause >= 16.0 for pause in pauses] == [False, False, False, False, True, True]


async def test_what_nobody_asked_for_is_counted_and_passed_over() -> None:
    async def yes(_publication: Publication) -> bytes:
        return YES

    broker = PickyBroker(yes, version="5")
    talk = broker.talk

    async def after_the_greeting(
        reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        write = writer.write

        def greet_and_babble(data: bytes) -> None:
            write(data)
            if data[:1] == b"\x20":
                write(
                    b"\x30\x05\x00\x01a\x00x"  # a message, where nothing was subscribed to
                    b"\x30\x05\x00\x01\xff\x00x"  # another, whose topic is no text
                    b"\x90\x04\x00\x09\x00\x00"  # the answer to a subscription
                    b"\x40\x02\x12\x34"  # an acknowledgement: the MQTT library passes over it
                )

        writer.write = greet_and_babble
        await talk(reader, writer)

    store, clock = MemoryStore(newest=40), ManualClock(START_MS)
    async with scripted_broker(after_the_greeting) as settings:
        publisher = make_publisher(store, settings.port, clock=clock)
        async with running(publisher):
            await store.until(lambda: len(store.sent) == 40)
            assert publisher.state.unexpected == 3
    assert broker.connections == 1
    assert [one.seq for one in map(reading, numbers_taken(broker))] == list(range(1, 41))


@pytest.mark.parametrize("version", ["3.1.1", "5"])
@pytest.mark.parametrize("topic", ["status", "gaps"])
async def test_a_broker_that_hangs_up_on_all_but_readings_gets_the_readings(
    topic: str, version: str
) -> None:
    """Where a topic is forbidden MQTT 3.1.1 lets a broker hang up, and nothing else (3.3.5)."""

    async def answer(publication: Publication) -> bytes | None:
        return None if publication.topic.endswith(topic) else YES

    broker = PickyBroker(answer, version)
    store, clock = MemoryStore(newest=10), ManualClock(START_MS)
    store.gaps = [Gap(n, n, WhyGone.LOST, None, None, START_MS) for n in (100, 102)]
    async with scripted_broker(broker.talk) as settings:
        publisher = make_publisher(
            store, int(settings.port), clock=clock, protocol=version, uplink={"publish": "60 s"}
        )
        async with running(publisher):
            await pass_time_until(clock, lambda: len(store.sent) == 10)
            await pass_time_until(clock, lambda: broker.connections == 5)
            begun = clock.monotonic()
            for newest in (20, 30, 40):
                store.sendable = newest
                await pass_time_until(clock, lambda n=newest: len(store.sent) == n)
            await pass_time_until(clock, lambda: broker.connections == 8)
            # It was tried again after 1, 2 and 4 slots; the first may have been at hand.
            assert clock.monotonic() - begun >= 6 * 60.0


async def test_a_topic_left_out_is_tried_again_and_then_told_as_ever() -> None:
    forbidden = True

    async def answer(publication: Publication) -> bytes | None:
        return None if forbidden and publication.topic == STATUS else YES

    broker = PickyBroker(answer)
    store, clock = MemoryStore(newest=10), ManualClock(START_MS)
    async with scripted_broker(broker.talk) as settings:
        publisher = make_publisher(store, int(settings.port), clock=clock, protocol="3.1.1")
        async with running(publisher):
            await pass_time_until(clock, lambda: broker.connections == 5)
            await store.until(lambda: len(store.sent) == 10)
            await until(clock, lambda: clock.sleepers)
            forbidden = False
            assert [one.topic for one in broker.taken] == [READINGS]
            await clock.advance(FIVE_MINUTES)
            await broker.until(lambda: broker.taken[-1].topic == STATUS)
            assert broker.connections == 5


async def test_a_broker_without_retained_messages_gets_the_readings(
    make_mosquitto: MakeMosquitto,
) -> None:
    broker = make_mosquitto("allow_anonymous true", "retain_available false")
    store, clock = MemoryStore(newest=10), ManualClock(START_MS)
    async with (
        listening(settings_for(broker.port, client_id="receiver")) as receiver,
        running(make_publisher(store, broker.port, clock=clock, protocol="5")),
    ):
        await pass_time_until(clock, lambda: len(store.sent) == 10)
        await receiver.until(lambda: len(receiver.messages) == 2)
        assert [one.topic.rpartition("/")[2] for one in receiver.messages] == ["status", "readings"]


class RetainingNothing:
    """A broker that keeps no retained messages, and does to a retained will what ``refusal`` is.

    MQTT 3.1.1 has no return code for it (3.2.2.3), so there a broker can only hang up; MQTT 5 has
    reason code 154 (3.2.2.3.13). That it retains nothing it need not say otherwise.
    """

    def __init__(self, refusal: bytes, version: str) -> None:
        self.wills: list[bool] = []
        self.retained: list[bool] = []
        self._refusal = refusal
        self._five = version == "5"

    async def talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        _, request = await read_packet(reader)
        flags = request[7]  # after the protocol's name and level; bit 5: the will is retained
        self.wills.append(bool(flags & 0x20))
        if flags & 0x20:
            writer.write(self._refusal)
            return
        writer.write(b"\x20\x03\x00\x00\x00" if self._five else b"\x20\x02\x00\x00")
        while (packet := await read_packet(reader))[0] & 0xF0 == 0x30:
            kind, body = packet
            self.retained.append(bool(kind & 1))
            end = 2 + int.from_bytes(body[:2], "big")
            writer.write(b"\x40\x02" + body[end : end + 2])


async def test_a_will_that_may_not_be_retained_shuts_out_no_old_station() -> None:
    broker = RetainingNothing(b"", "3.1.1")
    clock = ManualClock(START_MS)
    async with scripted_broker(broker.talk) as settings:
        publisher = make_publisher(
            MemoryStore(newest=10),
            int(settings.port),
            clock=clock,
            protocol="3.1.1",
            uplink={"stay_connected": False},
        )
        async with running(publisher):
            for connections in (2, 4, 5, 6):
                await until(clock, lambda: clock.sleepers and not publisher.state.connected)
                await clock.advance(FIVE_MINUTES - 10)
                await pass_time_until(
                    clock, lambda n=connections: len(broker.wills) == n and publisher.pending == 0
                )
    # The second time it is the same again; that settles it.
    assert broker.wills == [True, False, True, False, False, False]
    assert not any(broker.retained)


async def test_where_the_will_is_not_retained_the_status_is_not_either() -> None:
    broker = RetainingNothing(b"\x20\x03\x00\x9a\x00", "5")
    store, clock = MemoryStore(newest=10), ManualClock(START_MS)
    async with scripted_broker(broker.talk) as settings:
        publisher = make_publisher(store, int(settings.port), clock=clock, protocol="5")
        async with running(publisher):
            await pass_time_until(clock, lambda: len(store.sent) == 10)
    assert broker.wills == [True, False]
    assert len(broker.retained) == 3  # status, readings, farewell
    assert not any(broker.retained)


async def test_an_old_broker_that_was_only_starting_keeps_the_status(mosquitto: Mosquitto) -> None:
    store, clock = MemoryStore(newest=10), ManualClock(START_MS)
    async with CuttableLink(mosquitto.host, mosquitto.port) as link:
        link.hang()
        publisher = make_publisher(
            store,
            link.port,
            clock=clock,
            protocol="3.1.1",
            allowances=Allowances(connection=0.2),
        )
        async with running(publisher):
            await until(clock, lambda: "does not answer" in publisher.state.why)
            await link.restore()
            await pass_time_until(clock, lambda: len(store.sent) == 10)
            await link.cut()  # this connection may have been made without
            await until(clock, lambda: not publisher.state.connected and clock.sleepers)
            await link.restore()
            await pass_time_until(clock, lambda: publisher.state.connected)
            await until(clock, lambda: clock.sleepers)
            async with listening(settings_for(mosquitto.port, client_id="late"), STATUS) as late:
                await late.until(lambda: late.messages)
                assert json.loads(late.messages[0].payload)["state"] == "online"


async def test_a_hiccup_does_not_make_an_old_broker_of_a_new_one(
    make_mosquitto: MakeMosquitto, tmp_path: Path
) -> None:
    """In MQTT 3.1.1 a broker acknowledges what it throws away, here for want of a right."""
    (tmp_path / "rights").write_text("topic readwrite nothing/here\n")
    (tmp_path / "rights").chmod(0o600)
    broker = make_mosquitto("allow_anonymous true", f"acl_file {tmp_path / 'rights'}")
    store, clock = MemoryStore(newest=10), ManualClock(START_MS)
    async with CuttableLink(broker.host, broker.port) as link:
        link.hang()
        publisher = make_publisher(
            store, link.port, clock=clock, allowances=Allowances(connection=0.2)
        )
        async with running(publisher):
            await until(clock, lambda: "does not answer" in publisher.state.why)
            await link.restore()
            await pass_time_until(clock, lambda: "refuses" in publisher.state.why)
            assert publisher.state.version == "5"
            assert not store.sent
