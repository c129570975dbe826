"""One MQTT connection, from the connection request to its end; never used a second time.

Theory of operation. The paho client does the protocol and nothing else. It has no thread: its
socket is registered with the asyncio loop, which calls the client when there is something to read
or room to write, and once a second so that it can mind its keep-alive. What must block happens
before, in `edge.uplink.dial`.

Every connection has a fresh client and a clean session. So paho's own queue of unacknowledged
messages dies with the connection and never becomes a second buffer beside the journal: whoever
publishes holds a future, and a future that did not end in an acknowledgement means "still mine".

A connection whose other side has vanished shows itself in one of two ways: nothing is acknowledged
for a while although something should be, or a ping stays unanswered.

All times here are real seconds: they concern a real network.
"""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from edge.uplink.backoff import Version
from edge.uplink.broker import BrokerSettings
from edge.uplink.dial import AT_LEAST_ONCE, ConnectError, Message, dial, hung_up, make_client
from edge.uplink.reasons import (
    KEEP_ALIVE_TIMEOUT,
    PROTOCOL_ERROR,
    QOS_NOT_SUPPORTED,
    SESSION_TAKEN_OVER,
    UNSUPPORTED_VERSION,
    in_words,
)

if TYPE_CHECKING:
    from paho.mqtt.client import SocketLike  # has no existence at run time

__all__ = [
    "Allowances",
    "BrokerSettings",
    "ConnectError",
    "ConnectionLostError",
    "Message",
    "RefusedError",
    "Session",
]

_PACKETS_AT_A_TIME = 100

# What a PUBLISH holds besides topic and payload: fixed header (5 bytes at most), length of the
# topic (2), packet id (2), length of the properties (1).
_PUBLISH_OVERHEAD = 10


@dataclass(frozen=True, slots=True)
class Allowances:
    """How long to wait for the network, and for the broker's answers, in real seconds."""

    connection: float = 10.0
    acknowledgement: float = 30.0
    farewell: float = 2.0


class ConnectionLostError(Exception):
    """The session ended before the broker acknowledged; says why it ended."""


class RefusedError(Exception):
    """The broker answered, and refuses; says why."""


class Session:
    """A connection to a broker. To be made and used inside a running event loop."""

    def __init__(
        self,
        settings: BrokerSettings,
        version: Version,
        *,
        will: Message | None = None,
        on_message: Callable[[Message], None] | None = None,
        on_unexpected: Callable[[str], None] | None = None,
        allowances: Allowances | None = None,
    ) -> None:
        """``will`` is what the broker publishes when the connection ends without a farewell.

        ``on_unexpected`` is told, in words, of whatever comes that nobody asked for or that MQTT
        does not allow.
        """
        self._settings = settings
        self._allowances = allowances or Allowances()
        self._on_message = on_message
        self._on_unexpected = on_unexpected
        self._loop = asyncio.get_running_loop()
        self._client = make_client(settings, version, will, self._allowances.connection)
        self._answer: asyncio.Future[None] = self._loop.create_future()
        self._waiting: dict[int, asyncio.Future[None]] = {}
        self._why = "closed"
        self._ticker: asyncio.TimerHandle | None = None
        self._watch: asyncio.TimerHandle | None = None
        self._joined = self._over = False
        self.version = version
        self.ended: asyncio.Future[str] = self._loop.create_future()
        """Done when the connection has ended or did not come about; its result says why. For
        waiting only: to cancel it ends nothing."""
        self.receive_maximum = 65535
        """How many unacknowledged messages the broker bears."""
        self.packet_limit = 2**28
        """How large a packet may be for the broker, in bytes."""
        self.retains = True
        """Whether the broker keeps retained messages."""
        self.taken_over = False
        """Whether the broker ended it because another client came with the same client id."""

    async def connect(self) -> None:
        """Connect and be accepted. Raises ConnectError; the session then has ended."""
        try:
            await dial(self._client, self._settings)
            self._join_loop()
            async with asyncio.timeout(self._allowances.connection):
                await self._answer
        except TimeoutError:
            # Some old brokers misread a request in MQTT 5 and go on waiting for the rest of it.
            self._end("the broker took the connection but does not answer")
            raise ConnectError(self._why, not_understood=True) from None
        except ConnectError as error:
            self._end(str(error))
            raise
        except asyncio.CancelledError:
            self._end("given up")
            raise

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> asyncio.Future[None]:
        """Send a message; the future is done when the broker acknowledges it.

        The future raises RefusedError when the broker refuses the message (which only MQTT 5 lets
        it say) and ConnectionLostError when the session ends first.
        """
        if self._over:
            return self._failed(ConnectionLostError(self._why))
        info = self._client.publish(topic, payload, AT_LEAST_ONCE, retain)
        return self._expect_answer(info.rc, info.mid)

    async def subscribe(self, topic_filter: str) -> None:
        """Ask for messages. Raises RefusedError and ConnectionLostError."""
        if self._over:
            raise ConnectionLostError(self._why)
        rc, mid = self._client.subscribe(topic_filter, AT_LEAST_ONCE)
        await self._expect_answer(rc, mid or 0)

    def fits(self, topic: str, payload: bytes) -> bool:
        """Tell whether a message is small enough for the broker."""
        return len(topic.encode()) + len(payload) + _PUBLISH_OVERHEAD <= self.packet_limit

    async def close(self) -> None:
        """Say farewell, so that the broker does not publish the will, and end the session."""
        if not self._over:
            self._client.disconnect()
            await asyncio.wait({self.ended}, timeout=self._allowances.farewell)
        self._end("closed")

    def abort(self) -> None:
        """End the session without a farewell, as a crash would."""
        self._end("aborted")

    # ---------------------------------------------------------------------- driving the client

    def _join_loop(self) -> None:
        client = self._client
        client.on_connect = self._connected
        client.on_disconnect = self._disconnected
        client.on_publish = self._published
        client.on_subscribe = self._subscribed
        client.on_message = self._received
        client.on_socket_close = self._stop_reading
        client.on_socket_register_write = self._start_writing
        client.on_socket_unregister_write = self._stop_writing
        sock = client.socket()
        if sock is None:
            raise hung_up()
        self._joined = True
        self._loop.add_reader(sock, self._readable)
        if client.want_write():
            self._start_writing(client, None, sock)
        self._tick()

    def _start_writing(self, client: Client, _data: Any, sock: SocketLike) -> None:
        self._loop.add_writer(sock, self._step, client.loop_write)

    def _stop_writing(self, _client: Client, _data: Any, sock: SocketLike) -> None:
        self._loop.remove_writer(sock)

    def _stop_reading(self, _client: Client, _data: Any, sock: SocketLike) -> None:
        self._loop.remove_reader(sock)

    def _readable(self) -> None:
        for _ in range(_PACKETS_AT_A_TIME):
            self._step(self._client.loop_read)
            sock = self._client.socket()
            # What TLS has decrypted already no longer makes the socket readable.
            if not isinstance(sock, ssl.SSLSocket) or self._over or not sock.pending():
                return
        self._loop.call_soon(self._readable)

    def _tick(self) -> None:
        self._step(self._client.loop_misc)
        if not self._over:
            self._ticker = self._loop.call_later(1.0, self._tick)

    def _step(self, step: Callable[[], MQTTErrorCode]) -> None:
        if self._over:
            return
        try:
            step()
        except Exception as error:  # noqa: BLE001 - paho parses what any broker may have sent
            self._unexpected(f"a packet that cannot be understood ({error})")
            self._end(f"the broker sent what cannot be understood ({error})")
            return
        if self._client.socket() is None:
            self._end(self._why)

    def _end(self, why: str) -> None:
        if self._over:
            return
        self._over, self._why = True, why
        if not self.ended.done():
            self.ended.set_result(why)
        for timer in (self._ticker, self._watch):
            if timer:
                timer.cancel()
        self._client.on_socket_close = self._client.on_socket_unregister_write = None
        # Before it has joined the loop, the client belongs to the thread that dials.
        if self._joined and (sock := self._client.socket()):
            self._loop.remove_reader(sock)
            self._loop.remove_writer(sock)
            sock.close()
        waiting, self._waiting = self._waiting, {}
        for future in waiting.values():
            _fail(future, ConnectionLostError(why))
        _fail(self._answer, ConnectError(why, not_understood=True))

    # --------------------------------------------------------------------------------- answers

    def _expect_answer(self, rc: MQTTErrorCode, mid: int) -> asyncio.Future[None]:
        if rc is not MQTTErrorCode.MQTT_ERR_SUCCESS:
            return self._failed(RefusedError("too many messages under way"))
        future = self._waiting[mid] = self._loop.create_future()
        if self._watch is None:
            self._watch_for_answers()
        return future

    def _watch_for_answers(self) -> None:
        """Give the broker time for its next answer, whichever it is: a slow link is no dead one."""
        if self._watch:
            self._watch.cancel()
            self._watch = None
        if self._waiting:
            seconds = self._allowances.acknowledgement
            why = f"the broker has acknowledged nothing for {seconds:g} s"
            self._watch = self._loop.call_later(seconds, self._end, why)

    def _answered(self, mid: int, codes: list[ReasonCode], properties: Properties | None) -> None:
        future = self._waiting.pop(mid, None)
        self._watch_for_answers()
        if future is None:
            self._unexpected("an answer to nothing that was sent")
            return
        if future.done():
            return
        refusals = [code for code in codes if code.is_failure]
        if refusals:
            _fail(future, RefusedError(_words(refusals[0], properties)))
        else:
            future.set_result(None)

    def _failed(self, error: Exception) -> asyncio.Future[None]:
        future: asyncio.Future[None] = self._loop.create_future()
        _fail(future, error)
        return future

    # ------------------------------------------------------------------------ paho's callbacks

    def _connected(
        self,
        _client: Client,
        _data: Any,
        _f: ConnectFlags,
        code: ReasonCode,
        said: Properties | None,
    ) -> None:
        if code.is_failure:
            self._why = _words(code, said)
            mistaken = code.value == UNSUPPORTED_VERSION
            error = ConnectError(self._why, not_understood=mistaken, code=code.value)
            _fail(self._answer, error)
        elif getattr(said, "MaximumQoS", AT_LEAST_ONCE) < AT_LEAST_ONCE:
            _fail(self._answer, ConnectError(in_words(QOS_NOT_SUPPORTED)))
        elif not self._answer.done():
            self.receive_maximum = getattr(said, "ReceiveMaximum", self.receive_maximum)
            self.packet_limit = getattr(said, "MaximumPacketSize", self.packet_limit)
            self.retains = bool(getattr(said, "RetainAvailable", True))
            self._answer.set_result(None)

    def _disconnected(
        self,
        _client: Client,
        _data: Any,
        flags: DisconnectFlags,
        code: ReasonCode,
        said: Properties | None,
    ) -> None:
        if flags.is_disconnect_packet_from_server:
            self._why = f"the broker hung up: {_words(code, said)}"
            self.taken_over = code.value == SESSION_TAKEN_OVER
        elif code.value == KEEP_ALIVE_TIMEOUT:
            self._why = "the broker no longer answers"
        elif code.value == PROTOCOL_ERROR:
            self._why = "the broker sent what MQTT does not allow"
            self._unexpected("what MQTT does not allow")
        elif code.is_failure and not self._answer.done():
            self._why = str(hung_up())
        elif code.is_failure and not self._answer.exception():
            self._why = "the connection was lost"

    def _published(
        self, _client: Client, _data: Any, mid: int, code: ReasonCode, said: Properties
    ) -> None:
        self._answered(mid, [code], said)

    def _subscribed(
        self,
        _client: Client,
        _data: Any,
        mid: int,
        codes: list[ReasonCode],
        said: Properties | None,
    ) -> None:
        self._answered(mid, codes, said)

    def _received(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            self._unexpected("a message on a topic that is no text")
            return
        if self._on_message is None:
            self._unexpected(f"a message on {topic!r}")
            return
        # Called from the loop, so that an error in the receiver is not taken for the broker's.
        received = Message(topic, bytes(message.payload), message.retain)
        self._loop.call_soon(self._on_message, received)

    def _unexpected(self, what: str) -> None:
        if self._on_unexpected:
            self._on_unexpected(what)


def _words(code: ReasonCode, said: Properties | None) -> str:
    return in_words(code.value, str(getattr(said, "ReasonString", "")))


def _fail(future: asyncio.Future[None], error: Exception) -> None:
    if not future.done():
        future.set_exception(error)
        # Whoever lets go of the future need not be reminded of it.
        future.exception()
