"""Reaching the broker: name, TCP, TLS. All that blocks, in a thread of its own.

The thread touches nothing of the event loop; it leaves behind a client with an open socket, on
which the connection request is written, or the reason why there is none.
"""

from __future__ import annotations

import asyncio
import threading
from typing import NamedTuple

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from edge.uplink.backoff import Version
from edge.uplink.broker import BrokerSettings, TlsFileError
from edge.uplink.reasons import why_unreachable

AT_LEAST_ONCE = 1
"""The quality of service of everything sent and asked for here."""


class Message(NamedTuple):
    """A message, received or to be sent."""

    topic: str
    payload: bytes
    retained: bool = False


class ConnectError(Exception):
    """No connection came about; says why.

    ``not_understood`` tells that the broker was reached and did not answer as MQTT demands, so that
    it may speak another version; ``code`` is the reason code it gave, 0 where it gave none.
    """

    def __init__(self, why: str, *, not_understood: bool = False, code: int = 0) -> None:
        super().__init__(why)
        self.not_understood = not_understood
        self.code = code


def hung_up() -> ConnectError:
    """Make the error for a broker that closes the connection where it should answer."""
    return ConnectError("the broker closed the connection without an answer", not_understood=True)


def make_client(
    settings: BrokerSettings, version: Version, will: Message | None, connect_timeout: float
) -> Client:
    """Make a client for one connection; ``connect_timeout`` is in real seconds."""
    five = version == "5"
    client = Client(
        CallbackAPIVersion.VERSION2,
        settings.client_id,
        clean_session=None if five else True,
        protocol=MQTTProtocolVersion.MQTTv5 if five else MQTTProtocolVersion.MQTTv311,
        reconnect_on_failure=False,
    )
    client.connect_timeout = connect_timeout
    client.max_inflight_messages_set(0)
    if settings.username is not None:
        client.username_pw_set(settings.username, settings.password)
    if will:
        client.will_set(will.topic, will.payload, AT_LEAST_ONCE, will.retained)
    return client


async def dial(client: Client, settings: BrokerSettings) -> None:
    """Connect the client's socket. Raises ConnectError.

    Until this has returned the client belongs to the thread. When cancelled, the socket is closed
    as soon as it is open.
    """
    loop = asyncio.get_running_loop()
    done: asyncio.Future[None] = loop.create_future()

    def report(error: ConnectError | None) -> None:
        if done.done():
            _close_socket(client)
        elif error:
            done.set_exception(error)
        else:
            done.set_result(None)

    def work() -> None:
        error = _open_connection(client, settings)
        try:
            loop.call_soon_threadsafe(report, error)
        except RuntimeError:  # the loop is closed: nobody waits for this connection
            _close_socket(client)

    # A daemon thread rather than the loop's pool: a name server that does not answer must not hold
    # up the end of the process.
    threading.Thread(target=work, name="mqtt-dial", daemon=True).start()
    try:
        await done
    except asyncio.CancelledError:
        # Cancelled in the very moment of success: no report is to come that would close the socket.
        if not done.cancelled() and not done.exception():
            _close_socket(client)
        raise


def _open_connection(client: Client, settings: BrokerSettings) -> ConnectError | None:
    try:
        if settings.tls:
            client.tls_set_context(settings.tls.context())
        client.connect(settings.host, settings.port, settings.keep_alive_s)
    except TlsFileError as error:
        return ConnectError(str(error))
    except Exception as error:  # noqa: BLE001 - an error would end the thread, and nobody hear of it
        _close_socket(client)
        return ConnectError(why_unreachable(error, settings.host, settings.port))
    return None


def _close_socket(client: Client) -> None:
    if sock := client.socket():
        sock.close()
