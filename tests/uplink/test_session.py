"""A session against a real broker, and against one that misbehaves as told."""

import asyncio
import os
import socket
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edge.uplink.dial import dial, make_client
from edge.uplink.session import (
    Allowances,
    ConnectError,
    ConnectionLostError,
    Message,
    RefusedError,
    Session,
)
from tests.conftest import MakeMosquitto, Mosquitto, free_port
from tests.uplink.parts import (
    PATIENCE,
    listening,
    read_packet,
    scripted_broker,
    settings_for,
)

CONNACK_5 = b"\x20\x03\x00\x00\x00"
CONNACK_311 = b"\x20\x02\x00\x00"
DISCONNECT = 0xE0
PUBLISH_QOS_1 = 0x32
WILL = Message("livezero/ash-creek-2/status", b"gone", retained=True)


async def refusal(session: Session) -> ConnectError:
    with pytest.raises(ConnectError) as caught:
        await session.connect()
    assert session.ended.done()
    return caught.value


# ---------------------------------------------------------------------------- with a real broker


@pytest.mark.parametrize("version", ["5", "3.1.1"])
async def test_messages_are_acknowledged_and_arrive(mosquitto: Mosquitto, version: str) -> None:
    session = Session(settings_for(mosquitto.port), version)
    await session.connect()
    async with listening(
        settings_for(mosquitto.port, client_id="listener"), version=version
    ) as heard:
        async with asyncio.timeout(PATIENCE):
            await asyncio.gather(*(session.publish("a/b", b"%d" % i) for i in range(300)))
        await heard.until(lambda: len(heard.messages) == 300)
    assert heard.messages == [Message("a/b", b"%d" % i) for i in range(300)]
    await session.close()
    assert await session.ended == "closed"


async def test_a_large_message_goes_out_in_pieces(mosquitto: Mosquitto) -> None:
    session = Session(settings_for(mosquitto.port), "5")
    await session.connect()
    payload = os.urandom(8_000_000)
    async with listening(settings_for(mosquitto.port, client_id="listener")) as heard:
        async with asyncio.timeout(PATIENCE):
            await session.publish("big", payload)
        await heard.until(lambda: heard.messages)
    assert heard.messages[0].payload == payload
    await session.close()


async def test_the_will_is_published_after_a_crash_and_not_after_a_farewell(
    mosquitto: Mosquitto,
) -> None:
    async with listening(settings_for(mosquitto.port, client_id="listener")) as heard:
        polite, crashing = (
            Session(settings_for(mosquitto.port, client_id=name), "5", will=Message(name, b"gone"))
            for name in ("polite", "crashing")
        )
        await polite.connect()
        await crashing.connect()
        await polite.close()
        crashing.abort()
        await heard.until(lambda: heard.messages)
    assert heard.messages == [Message("crashing", b"gone")]
    assert await crashing.ended == "aborted"


async def test_a_retained_message_is_marked_so(mosquitto: Mosquitto) -> None:
    session = Session(settings_for(mosquitto.port), "5")
    await session.connect()
    await session.publish("state", b"on", retain=True)
    await session.close()
    async with listening(settings_for(mosquitto.port)) as heard:
        await heard.until(lambda: heard.messages)
    assert heard.messages == [Message("state", b"on", retained=True)]


@pytest.mark.parametrize("version", ["5", "3.1.1"])
async def test_a_wrong_password_is_told_in_words(
    mosquitto_with_password: Mosquitto, version: str
) -> None:
    port = mosquitto_with_password.port
    wrong = settings_for(port, username="ash-creek-2", password="wrong")
    error = await refusal(Session(wrong, version))
    assert str(error) == "not authorised"  # as this broker puts it
    assert not error.not_understood
    right = Session(settings_for(port, username="ash-creek-2", password="live zero"), version)
    await right.connect()
    await right.close()


async def test_a_password_is_not_shown() -> None:
    assert "secret" not in repr(settings_for(1883, password="secret"))


async def test_mqtt_5_tells_that_a_message_was_refused(
    make_mosquitto: MakeMosquitto, tmp_path: Path
) -> None:
    rights = tmp_path / "rights"
    rights.write_text("topic readwrite allowed/#\n")
    broker = make_mosquitto("allow_anonymous true", f"acl_file {rights}")
    session = Session(settings_for(broker.port), "5")
    await session.connect()
    with pytest.raises(RefusedError, match="not authorised"):
        await session.publish("forbidden", b"")
    await session.publish("allowed/a", b"")
    await session.close()


async def test_the_brokers_limits_are_known(make_mosquitto: MakeMosquitto) -> None:
    limits = ("allow_anonymous true", "max_packet_size 1000", "max_inflight_messages 7")
    broker = make_mosquitto(*limits)
    session = Session(settings_for(broker.port), "5")
    await session.connect()
    assert session.receive_maximum == 7
    assert session.packet_limit == 1000
    assert session.fits("a" * 90, b"b" * 900)
    assert not session.fits("a" * 91, b"b" * 900)
    await session.publish("a" * 90, b"b" * 900)
    await session.close()


async def test_a_killed_broker_ends_the_session_and_what_waits_in_it(mosquitto: Mosquitto) -> None:
    session = Session(settings_for(mosquitto.port), "5")
    await session.connect()
    answers = [session.publish("a", b"x" * 10_000) for _ in range(100)]
    mosquitto.kill()
    async with asyncio.timeout(PATIENCE):
        results = await asyncio.gather(*answers, return_exceptions=True)
        assert await session.ended == "the connection was lost"
    assert any(isinstance(result, ConnectionLostError) for result in results)
    with pytest.raises(ConnectionLostError, match="the connection was lost"):
        await session.publish("a", b"")
    with pytest.raises(ConnectionLostError, match="the connection was lost"):
        await session.subscribe("a")
    await session.close()  # of no effect, and no error


async def test_nobody_listening_is_told_in_words() -> None:
    port = free_port()
    error = await refusal(Session(settings_for(port), "5"))
    assert str(error) == f"connection refused: nothing listens on 127.0.0.1:{port}"
    assert not error.not_understood


# ---------------------------------------------------------------------- with a misbehaving broker


@pytest.mark.parametrize(
    ("version", "answer", "why", "not_understood"),
    [
        ("5", b"\x20\x03\x00\x86\x00", "bad username or password", False),
        ("5", b"\x20\x03\x00\x87\x00", "not authorised", False),
        ("5", b"\x20\x03\x00\x8a\x00", "the broker has banned this client", False),
        ("5", b"\x20\x0a\x00\x97\x07\x1f\x00\x04full", 'quota exceeded ("full")', False),
        ("5", b"\x20\x03\x00\x84\x00", "the broker does not speak this version of MQTT", True),
        ("5", b"\x20\x02\x00\x01", "the broker does not speak this version of MQTT", True),
        ("5", b"\x20\x05\x00\x00\x02\x24\x00", "the broker does not acknowledge", False),
        ("5", b"HTTP/1.1 400 Bad Request\r\n\r\n", "the broker", True),
        ("5", b"", "the broker closed the connection without an answer", True),
        ("3.1.1", b"\x20\x02\x00\x01", "the broker sent what MQTT does not allow", True),
        ("3.1.1", b"\x20\x02\x00\x02", "the broker does not accept the client id", False),
        ("3.1.1", b"\x20\x02\x00\x03", "the broker is not available", False),
        ("3.1.1", b"\x20\x02\x00\x04", "bad username or password", False),
        ("3.1.1", b"\x20\x02\x00\x05", "not authorised", False),
    ],
)
async def test_refusals_are_put_in_words(
    version: str, answer: bytes, why: str, not_understood: bool
) -> None:
    async def refuse(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await read_packet(reader)
        writer.write(answer)

    async with scripted_broker(refuse) as settings:
        error = await refusal(Session(settings, version))
    assert str(error).startswith(why)
    assert error.not_understood is not_understood


async def test_a_broker_that_takes_the_connection_and_is_silent() -> None:
    async def keep_silent(reader: asyncio.StreamReader, _: asyncio.StreamWriter) -> None:
        await reader.read()

    async with scripted_broker(keep_silent) as settings:
        error = await refusal(Session(settings, "5", allowances=Allowances(connection=0.05)))
    assert str(error) == "the broker took the connection but does not answer"
    assert error.not_understood


async def test_a_connection_being_made_can_be_given_up() -> None:
    reached = asyncio.Event()

    async def keep_silent(reader: asyncio.StreamReader, _: asyncio.StreamWriter) -> None:
        reached.set()
        await reader.read()

    async with scripted_broker(keep_silent) as settings:
        session = Session(settings, "5")
        connecting = asyncio.ensure_future(session.connect())
        await reached.wait()
        connecting.cancel()
        with pytest.raises(asyncio.CancelledError):
            await connecting
        assert await session.ended == "given up"


class SlowNetwork:
    """Holds up whoever opens a TCP connection until told to go on."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.reached, self.go_on = threading.Event(), threading.Event()
        self._connect = socket.create_connection
        monkeypatch.setattr(socket, "create_connection", self._slowly)

    def _slowly(self, *args: object, **options: object) -> socket.socket:
        self.reached.set()
        assert self.go_on.wait(PATIENCE)
        return self._connect(*args, **options)


@pytest.mark.parametrize("turns", range(6))
async def test_a_connection_given_up_while_it_is_dialled_is_closed(
    monkeypatch: pytest.MonkeyPatch, turns: int
) -> None:
    """The connection comes about before, while or after it is given up."""
    closed = asyncio.Event()

    async def wait_for_the_end(reader: asyncio.StreamReader, _: asyncio.StreamWriter) -> None:
        await reader.read()
        closed.set()

    async with scripted_broker(wait_for_the_end) as settings:
        network = SlowNetwork(monkeypatch)
        session = Session(settings, "5")
        connecting = asyncio.ensure_future(session.connect())
        await asyncio.to_thread(network.reached.wait)
        network.go_on.set()
        for _ in range(turns):
            await asyncio.sleep(0)
        connecting.cancel()
        with pytest.raises(asyncio.CancelledError):
            await connecting
        assert await session.ended == "given up"
        async with asyncio.timeout(PATIENCE):
            await closed.wait()


async def test_a_dial_cancelled_in_the_moment_of_success_leaves_no_socket(
    mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = settings_for(mosquitto.port)
    client = make_client(settings, "5", None, PATIENCE)
    dialling = asyncio.ensure_future(dial(client, settings))
    loop = asyncio.get_running_loop()
    hand_over = loop.call_soon_threadsafe

    def report_and_cancel(report: Callable[[object], None], error: object) -> None:
        report(error)
        dialling.cancel()

    monkeypatch.setattr(
        loop, "call_soon_threadsafe", lambda *call: hand_over(report_and_cancel, *call)
    )
    with pytest.raises(asyncio.CancelledError):
        await dialling
    assert client.socket().fileno() == -1


def test_a_connection_that_comes_about_after_the_loop_is_closed_is_closed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    network = SlowNetwork(monkeypatch)
    with socket.create_server(("127.0.0.1", 0)) as server:
        settings = settings_for(server.getsockname()[1])

        async def begin() -> None:
            connecting = asyncio.ensure_future(Session(settings, "5").connect())
            await asyncio.to_thread(network.reached.wait)
            connecting.cancel()

        asyncio.run(begin())
        network.go_on.set()
        connection, _ = server.accept()
        with connection:
            connection.settimeout(PATIENCE)
            while connection.recv(1000):
                pass


async def test_a_broker_that_acknowledges_nothing_is_left() -> None:
    async def swallow(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await read_packet(reader)
        writer.write(CONNACK_5)
        await reader.read()

    async with scripted_broker(swallow) as settings:
        session = Session(settings, "5", allowances=Allowances(acknowledgement=0.05))
        await session.connect()
        with pytest.raises(ConnectionLostError, match="has acknowledged nothing"):
            await session.publish("a", b"")
        assert session.ended.done()


async def test_a_slow_broker_is_borne_with_as_long_as_it_gets_on() -> None:
    """Each acknowledgement takes a good part of the patience; all together far more than all."""

    async def dawdle(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await read_packet(reader)
        writer.write(CONNACK_311)
        for number in range(1, 21):
            await read_packet(reader)
            await asyncio.sleep(0.05)
            writer.write(b"\x40\x02\x00" + bytes([number]))
        await reader.read()

    async with scripted_broker(dawdle) as settings:
        session = Session(settings, "3.1.1", allowances=Allowances(acknowledgement=0.9))
        await session.connect()
        await asyncio.gather(*(session.publish("a", b"") for _ in range(20)))
        session.abort()


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (b"\xe0\x02\x8b\x00", "the broker hung up: the broker is shutting down"),
        (b"\xe0\x02\x8e\x00", "the broker hung up: another client has connected with the same"),
        (b"\xe0\x02\x95\x00", "the broker hung up: the message is too large for the broker"),
        (b"\xe0\x02\xfa\x00", "the broker sent what MQTT does not allow"),
        (b"\x40\x03\x00\x01\x33", "the broker sent what MQTT does not allow"),
        (b"\xf0\x00", "the broker sent what MQTT does not allow"),
        (b"\x32\x04\x00\x01a\x00", "the broker sent what"),
        (b"", "the connection was lost"),
    ],
)
async def test_ends_are_put_in_words(words: bytes, why: str) -> None:
    async def end(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await read_packet(reader)
        writer.write(CONNACK_5)
        assert (await read_packet(reader))[0] == PUBLISH_QOS_1
        writer.write(words)

    async with scripted_broker(end) as settings:
        session = Session(settings, "5")
        await session.connect()
        with pytest.raises(ConnectionLostError):
            await session.publish("a", b"")
        assert (await session.ended).startswith(why)


async def test_a_refused_message_does_not_end_the_session() -> None:
    async def refuse_first(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await read_packet(reader)
        writer.write(CONNACK_5)
        await read_packet(reader)
        writer.write(b"\x40\x0b\x00\x01\x97\x07\x1f\x00\x04full")
        await read_packet(reader)
        # Answered twice: the second answer is nobody's.
        writer.write(b"\x40\x02\x00\x02\x40\x02\x00\x02")
        await reader.read()

    async with scripted_broker(refuse_first) as settings:
        session = Session(settings, "5")
        await session.connect()
        with pytest.raises(RefusedError, match=r'quota exceeded \("full"\)'):
            await session.publish("a", b"")
        await session.publish("a", b"")
        session.abort()


async def test_a_refused_subscription_is_told() -> None:
    async def refuse(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await read_packet(reader)
        writer.write(CONNACK_311)
        await read_packet(reader)
        writer.write(b"\x90\x03\x00\x01\x80")
        await reader.read()

    async with scripted_broker(refuse) as settings:
        session = Session(settings, "3.1.1")
        await session.connect()
        with pytest.raises(RefusedError, match="gives no reason"):
            await session.subscribe("#")
        session.abort()


async def test_a_topic_that_is_no_text_is_passed_over() -> None:
    async def mumble(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await read_packet(reader)
        writer.write(CONNACK_311 + b"\x30\x04\x00\x01\xffx" + b"\x30\x04\x00\x01ax")
        await reader.read()

    messages: asyncio.Queue[Message] = asyncio.Queue()
    async with scripted_broker(mumble) as settings:
        session = Session(settings, "3.1.1", on_message=messages.put_nowait)
        await session.connect()
        assert await messages.get() == Message("a", b"x")
        session.abort()


async def test_messages_to_one_who_does_not_listen_are_acknowledged_all_the_same() -> None:
    answer: asyncio.Future[tuple[int, bytes]] = asyncio.get_running_loop().create_future()

    async def insist(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await read_packet(reader)
        writer.write(CONNACK_311 + b"\x32\x06\x00\x01a\x00\x07x")
        answer.set_result(await read_packet(reader))

    async with scripted_broker(insist) as settings:
        session = Session(settings, "3.1.1")
        await session.connect()
        assert await answer == (0x40, b"\x00\x07")
        session.abort()


async def test_a_broker_that_no_longer_answers_pings_is_left() -> None:
    async def fall_silent(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await read_packet(reader)
        writer.write(CONNACK_311)
        await reader.read()

    async with scripted_broker(fall_silent) as settings:
        session = Session(settings_for(settings.port, keep_alive_s=1), "3.1.1")
        await session.connect()
        async with asyncio.timeout(PATIENCE):
            assert await session.ended == "the broker no longer answers"


async def test_a_broker_that_ignores_the_farewell_is_left_all_the_same() -> None:
    """With its buffers full, the farewell does not even reach it."""

    async def read_no_more(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        await read_packet(reader)
        reader._transport.pause_reading()
        writer.write(CONNACK_311)
        await asyncio.Event().wait()

    async with scripted_broker(read_no_more) as settings:
        session = Session(settings, "3.1.1", allowances=Allowances(farewell=0.05))
        await session.connect()
        stuck = session.publish("a", b"x" * 20_000_000)
        await session.close()
        assert await session.ended == "closed"
        with pytest.raises(ConnectionLostError):
            await stuck


async def test_more_messages_than_there_are_packet_ids() -> None:
    async def swallow(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await read_packet(reader)
        writer.write(CONNACK_311)
        await reader.read()

    async with scripted_broker(swallow) as settings:
        session = Session(settings, "3.1.1")
        await session.connect()
        for _ in range(65_535):
            session.publish("a", b"")
        with pytest.raises(RefusedError, match="too many messages under way"):
            await session.publish("a", b"")
        session.abort()


async def test_an_answer_to_one_who_no_longer_waits_is_passed_over(mosquitto: Mosquitto) -> None:
    session = Session(settings_for(mosquitto.port), "5")
    await session.connect()
    session.publish("a", b"").cancel()
    await session.publish("a", b"")
    assert not session.ended.done()
    await session.close()


async def test_who_stops_waiting_for_the_end_ends_nothing(mosquitto: Mosquitto) -> None:
    session = Session(settings_for(mosquitto.port), "5")
    await session.connect()
    session.ended.cancel()
    await session.publish("a", b"")
    session.abort()
    with pytest.raises(ConnectionLostError, match="aborted"):
        await session.publish("a", b"")


async def test_a_connection_accepted_twice_is_still_one() -> None:
    async def repeat(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await read_packet(reader)
        writer.write(CONNACK_311 + CONNACK_311)
        await read_packet(reader)
        writer.write(b"\x40\x02\x00\x01")
        await reader.read()

    async with scripted_broker(repeat) as settings:
        session = Session(settings, "3.1.1")
        await session.connect()
        await session.publish("a", b"")
        session.abort()


async def test_a_request_too_large_for_one_write_goes_out_in_pieces(
    mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    connect = socket.create_connection

    def with_little_room(*args: object, **options: object) -> socket.socket:
        sock = connect(*args, **options)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 1)
        return sock

    monkeypatch.setattr(socket, "create_connection", with_little_room)
    session = Session(settings_for(mosquitto.port), "3.1.1", will=Message("w", b"x" * 60_000))
    await session.connect()
    await session.close()


async def test_a_request_that_cannot_be_written_is_told() -> None:
    """A will may have 65 535 bytes at most (MQTT 5.0, section 3.1.3.4)."""

    closed = asyncio.Event()

    async def wait_for_the_end(reader: asyncio.StreamReader, _: asyncio.StreamWriter) -> None:
        await reader.read()
        closed.set()

    async with scripted_broker(wait_for_the_end) as settings:
        error = await refusal(Session(settings, "5", will=Message("w", b"x" * 65_536)))
        async with asyncio.timeout(PATIENCE):
            await closed.wait()
    assert str(error).startswith("no connection to 127.0.0.1")


async def test_a_defect_in_reading_ends_the_session_and_not_the_loop(mosquitto: Mosquitto) -> None:
    """No bytes are known that the MQTT library stumbles over; so it is made to stumble."""
    session = Session(settings_for(mosquitto.port), "5")
    await session.connect()
    session._client.loop_read = "not callable"
    with pytest.raises(ConnectionLostError, match="cannot be understood"):
        await session.publish("a", b"")


# MQTT's packet types, with a body of any bytes: most of them make no sense.
packets = st.tuples(
    st.sampled_from([0x20, 0x30, 0x32, 0x34, 0x40, 0x50, 0x62, 0x70, 0x90, 0xB0, 0xC0, 0xD0, 0xE0])
    | st.integers(0, 255),
    st.binary(max_size=40),
).map(lambda packet: bytes([packet[0], len(packet[1])]) + packet[1])


@given(
    version=st.sampled_from(["5", "3.1.1"]),
    noise=st.lists(packets | st.binary(max_size=40), max_size=8).map(b"".join),
)
@settings(max_examples=100, deadline=None)
def test_whatever_a_broker_says_a_session_bears_it(version: str, noise: bytes) -> None:
    """Whoever waits is told of the end, and the loop hears of no error."""

    async def talk_nonsense(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await read_packet(reader)
        writer.write((CONNACK_5 if version == "5" else CONNACK_311) + noise)
        await writer.drain()

    async def converse() -> None:
        errors: list[dict[str, object]] = []
        asyncio.get_running_loop().set_exception_handler(lambda _, error: errors.append(error))
        async with scripted_broker(talk_nonsense) as settings:
            session = Session(settings, version, on_message=lambda _: None)
            with suppress(ConnectError, ConnectionLostError, RefusedError):
                await session.connect()
                async with asyncio.timeout(PATIENCE):
                    await session.publish("a", b"")
            session.abort()
            assert session.ended.done()
        assert not errors

    asyncio.run(converse())
