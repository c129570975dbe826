"""Why a connection failed or a message was refused, in words a person at the well can use.

Reason codes: MQTT 5.0, section 2.4. The return codes of MQTT 3.1.1 (section 3.2.2.3) come here as
the reason codes that mean the same.
"""

from __future__ import annotations

import socket
import ssl
from socket import gaierror

PROTOCOL_ERROR = 130
UNSUPPORTED_VERSION = 132
KEEP_ALIVE_TIMEOUT = 141
SESSION_TAKEN_OVER = 142
RETAIN_NOT_SUPPORTED = 154
QOS_NOT_SUPPORTED = 155

_WORDS = {
    128: "the broker gives no reason",
    129: "the broker could not read what it was sent",
    PROTOCOL_ERROR: "the broker says it was sent something MQTT does not allow",
    131: "the broker refuses for reasons of its own",
    UNSUPPORTED_VERSION: "the broker does not speak this version of MQTT",
    133: "the broker does not accept the client id",
    134: "bad username or password",
    135: "not authorised",
    136: "the broker is not available",
    137: "the broker is busy",
    138: "the broker has banned this client",
    139: "the broker is shutting down",
    140: "the broker wants another way of authentication",
    KEEP_ALIVE_TIMEOUT: "the broker heard nothing for too long",
    SESSION_TAKEN_OVER: "another client has connected with the same client id",
    143: "the broker does not accept the topic filter",
    144: "the broker does not accept the topic",
    147: "too many messages under way for the broker",
    149: "the message is too large for the broker",
    150: "too many messages in too short a time for the broker",
    151: "quota exceeded",
    152: "closed by the broker's administrator",
    153: "the broker does not accept the payload's format",
    RETAIN_NOT_SUPPORTED: "the broker does not keep retained messages",
    QOS_NOT_SUPPORTED: "the broker does not acknowledge messages (QoS 1)",
    156: "the broker says to use another server",
    157: "the broker has moved",
    159: "too many connections in too short a time for the broker",
    160: "the broker has ended the connection at its longest time",
}


def in_words(code: int, said: str = "") -> str:
    """Put a reason code in words; ``said`` is the broker's own explanation, if it gave one."""
    words = _WORDS.get(code, f"the broker gives reason code {code}")
    return f'{words} ("{said}")' if said else words


def why_unreachable(error: Exception, host: str, port: int) -> str:
    """Say why no connection came about, from what DNS, TCP or TLS raised."""
    match error:
        case gaierror(errno=socket.EAI_AGAIN):
            why = f"the name {host} cannot be resolved: no name server answers"
        case gaierror():
            why = f"the name {host} cannot be resolved"
        case ssl.SSLCertVerificationError():
            why = f"the broker's certificate is not trusted: {error.verify_message}"
        case ssl.SSLError():
            why = f"TLS with {host}:{port} failed: {error.reason}"
        case TimeoutError():
            why = f"no answer from {host}:{port}"
        case ConnectionRefusedError():
            why = f"connection refused: nothing listens on {host}:{port}"
        case _:
            why = f"no connection to {host}:{port}: {getattr(error, 'strerror', None) or error}"
    return why
