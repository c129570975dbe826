"""The embedded broker, spoken to by paho's client as the reference."""

import asyncio
import queue

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from hw_fakes.broker import EmbeddedBroker


@pytest.fixture
async def broker():
    async with EmbeddedBroker() as broker:
        yield broker


class Client:
    """A client with everything that happens to it in a queue."""

    def __init__(self, name, protocol=mqtt.MQTTv311):
        self.events = queue.Queue()
        self.paho = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, name, protocol=protocol)
        self.paho.on_connect = lambda _c, _u, _f, reason, _p: self.events.put(str(reason))
        self.paho.on_subscribe = lambda *_: self.events.put("subscribed")
        self.paho.on_publish = lambda *_: self.events.put("acknowledged")
        self.paho.on_message = lambda _c, _u, m: self.events.put((m.topic, m.payload, m.retain))
        self.paho.on_disconnect = lambda *_: self.events.put("disconnected")

    async def next(self):
        return await asyncio.to_thread(self.events.get, timeout=5)

    async def connect(self, broker, **kwargs):
        await asyncio.to_thread(self.paho.connect, broker.host, broker.port, **kwargs)
        self.paho.loop_start()
        return await self.next()

    async def subscribe(self, topic):
        self.paho.subscribe(topic, 1)
        return await self.next()

    async def close(self):
        self.paho.disconnect()
        await asyncio.to_thread(self.paho.loop_stop)


@pytest.fixture
async def client():
    client = Client("receiver")
    yield client
    await client.close()


@pytest.fixture
async def other():
    client = Client("sender")
    yield client
    await client.close()


async def test_messages_reach_subscribers_and_are_acknowledged(broker, client, other):
    assert await client.connect(broker) == "Success"
    assert await client.subscribe("wells/#") == "subscribed"
    assert await other.connect(broker) == "Success"
    other.paho.publish("wells/2", b"payload", qos=1)
    assert await client.next() == ("wells/2", b"payload", False)
    assert await other.next() == "acknowledged"
    assert broker.connections == 2


async def test_a_retained_message_waits_for_subscribers(broker, client, other):
    await other.connect(broker)
    other.paho.publish("wells/2/status", b"online", qos=1, retain=True)
    assert await other.next() == "acknowledged"
    await client.connect(broker)
    await client.subscribe("wells/#")
    assert await client.next() == ("wells/2/status", b"online", True)


async def test_the_last_will_of_a_client_that_vanishes(broker, client):
    await client.connect(broker)
    await client.subscribe("wells/#")
    reader, writer = await asyncio.open_connection(broker.host, broker.port)
    # CONNECT of MQTT 3.1.1 (section 3.1), clean session, with a will at QoS 1.
    body = b"\0\4MQTT\4\x0e\0\x3c\0\1x\0\7wells/3\0\4gone"
    writer.write(bytes([0x10, len(body)]) + body)
    await reader.readexactly(4)  # CONNACK
    writer.transport.abort()
    assert await client.next() == ("wells/3", b"gone", False)


@pytest.mark.parametrize("with_properties", [False, True])
async def test_mqtt_5_is_refused_at_once_and_3_1_1_taken_after_it(broker, client, with_properties):
    modern = Client("receiver", mqtt.MQTTv5)
    properties = Properties(PacketTypes.CONNECT)
    if with_properties:
        properties.SessionExpiryInterval = 3600
        properties.ReceiveMaximum = 8
    assert await modern.connect(broker, properties=properties) == "Unsupported protocol version"
    await modern.close()
    assert await client.connect(broker) == "Success"


async def test_a_connect_longer_than_127_bytes(broker):
    client = Client("a" * 200)
    assert await client.connect(broker) == "Success"
    await client.close()


async def test_a_restart_keeps_the_port_and_forgets_the_rest(broker, client, other):
    await other.connect(broker)
    other.paho.publish("wells/2/status", b"online", qos=1, retain=True)
    await other.next()
    port = broker.port
    await broker.restart()
    assert broker.port == port
    assert await other.next() == "disconnected"
    await client.connect(broker)
    await client.subscribe("#")
    client.paho.publish("wells/2", b"new", qos=1)
    assert ("wells/2", b"new", False) in {await client.next(), await client.next()}


async def test_a_stopped_broker_refuses_connections(broker):
    await broker.stop()
    await broker.stop()
    with pytest.raises(ConnectionRefusedError):
        await asyncio.open_connection(broker.host, broker.port)


@pytest.mark.parametrize("noise", [b"\x10", b"GET / HTTP/1.1\r\n\r\n", b"\x10\xff\xff\xff\xff\xff"])
async def test_noise_and_silence_do_no_harm(broker, client, noise):
    _, silent = await asyncio.open_connection(broker.host, broker.port)
    _, writer = await asyncio.open_connection(broker.host, broker.port)
    writer.write(noise)
    writer.write_eof()
    assert await client.connect(broker) == "Success"
    for one in (writer, silent):
        one.transport.abort()


async def test_nothing_is_left_behind(client):
    before = asyncio.all_tasks()
    async with EmbeddedBroker() as broker:
        await client.connect(broker)
        await client.subscribe("#")
    assert asyncio.all_tasks() == before
