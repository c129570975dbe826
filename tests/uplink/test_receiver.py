"""The receiving end against a real broker."""

import asyncio
import contextlib
from random import Random

import pytest

from edge.clock import SystemClock
from edge.readings import Gap, Journalled, WhyGone
from edge.status import Reason
from edge.uplink.broker import BrokerSettings
from edge.uplink.receiver import ANY_STATION, Receiver
from edge.uplink.senml import encode
from edge.uplink.session import ConnectionLostError, Session
from edge.uplink.stated_gaps import encode_gaps
from hw_fakes.broker import EmbeddedBroker
from tests.uplink.parts import PATIENCE, read_packet, scripted_broker

READINGS = [Journalled(n, "level", 1_772_348_400_000 + n, float(n), Reason.OK) for n in (1, 2, 3)]


class ImpatientClock(SystemClock):
    async def sleep(self, seconds):
        await asyncio.sleep(min(seconds, 0.01))


@contextlib.asynccontextmanager
async def receiving(port, protocol="auto", **more):
    receiver = Receiver(
        BrokerSettings("127.0.0.1", port, "ash-creek-listener", protocol=protocol),
        "livezero",
        ANY_STATION,
        clock=ImpatientClock(),
        rng=Random(1),
        **more,
    )
    task = asyncio.create_task(receiver.run())
    try:
        yield receiver
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


@contextlib.asynccontextmanager
async def sending(port):
    session = Session(BrokerSettings("127.0.0.1", port, "ash-creek-sender"), "3.1.1")
    await session.connect()
    yield session
    await session.close()


async def test_books_of_two_stations(mosquitto):
    new = []
    async with receiving(mosquitto.port, on_readings=lambda *news: new.append(news)) as receiver:
        await receiver.listening.wait()
        assert receiver.link == "listening, MQTT 5"
        async with sending(mosquitto.port) as sender:
            for station, readings in (("a", READINGS), ("b", READINGS[::2]), ("a", READINGS)):
                payload = encode(readings, station, {"level": "m"})
                await sender.publish(f"livezero/{station}/readings", payload)
            await sender.publish("livezero/a/status", b'{"state": "online"}', retain=True)
            await sender.publish("livezero/b/status", b"[]")
            await sender.publish("livezero/c/status", b"\xff")
            await sender.publish("livezero/c/readings", b"not SenML")
        await receiver.catch_up()
    books = receiver.library.books
    assert (len(books["a"].seen), books["a"].duplicates, books["a"].gaps()) == (3, 3, [])
    assert (len(books["b"].seen), books["b"].gaps()) == (2, [(2, 2)])
    assert receiver.library.malformed == 1
    assert receiver.states == {"a": "online", "b": "unreadable", "c": "unreadable"}
    assert new == [("a", READINGS), ("b", READINGS[::2])]


async def test_stated_gaps_are_entered(mosquitto):
    gaps = [Gap(2, 2, WhyGone.DROPPED, None, None, 0), Gap(50, 60, WhyGone.LOST, None, None, 0)]
    async with receiving(mosquitto.port) as receiver:
        await receiver.listening.wait()
        async with sending(mosquitto.port) as sender:
            payload = encode(READINGS[::2], "a", {"level": "m"}, "9f2c")
            await sender.publish("livezero/a/readings", payload)
            await sender.publish("livezero/a/gaps", encode_gaps(gaps, "a", "9f2c"))
            await sender.publish("livezero/a/gaps", b"nothing of the kind")
        await receiver.catch_up()
    books = receiver.library.books["a"]
    assert books.gaps() == []
    assert books.explained() == {WhyGone.DROPPED: 1, WhyGone.LOST: 11}
    assert receiver.library.malformed == 1
    assert receiver.unexpected == 0


async def test_what_nobody_asked_for_is_counted():
    go = asyncio.Event()

    async def babble(reader, writer):
        await read_packet(reader)
        writer.write(b"\x20\x02\x00\x00")
        for number in b"\x01\x02\x03\x04":
            await read_packet(reader)
            writer.write(bytes([0x90, 3, 0, number, 1]))
        await go.wait()
        writer.write(b"\x30\x04\x00\x01ax")
        writer.write(b"\x30\x06\x00\x03a/bx")
        writer.write(b"\x30\x04\x00\x01\xffx")
        writer.write(b"\x30\x0d\x00\x0aa/readings?")

    async with scripted_broker(babble) as settings, receiving(settings.port, "3.1.1") as receiver:
        await receiver.listening.wait()
        session = receiver._session
        go.set()
        async with asyncio.timeout(PATIENCE):
            await asyncio.wait([session.ended])
        assert (receiver.unexpected, receiver.library.malformed) == (3, 1)


async def test_it_falls_back_and_comes_back_after_a_restart():
    async with EmbeddedBroker() as broker, receiving(broker.port) as receiver:
        await receiver.listening.wait()
        assert receiver.link == "listening, MQTT 3.1.1"
        session = receiver._session
        await broker.stop()
        await asyncio.wait([session.ended])
        with pytest.raises(ConnectionLostError):
            await receiver.catch_up()
        await broker.start()
        await receiver.listening.wait()
        await receiver.catch_up()


async def test_catching_up_with_a_broker_that_goes_away(mosquitto):
    async with receiving(mosquitto.port) as receiver:
        await receiver.listening.wait()
        session = receiver._session
        catching_up = asyncio.create_task(receiver.catch_up())
        await asyncio.sleep(0)
        mosquitto.kill()
        # The echo may have been on its way already; then there is nothing to lose.
        with contextlib.suppress(ConnectionLostError):
            await catching_up
        await asyncio.wait([session.ended])
        assert not receiver._echoes
