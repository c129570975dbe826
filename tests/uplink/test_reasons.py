"""Reasons in words."""

import socket
import ssl

import pytest

from edge.uplink.reasons import in_words, why_unreachable


@pytest.mark.parametrize(
    ("error", "why"),
    [
        (socket.gaierror(-2, "Name or service not known"), "the name b cannot be resolved"),
        (
            socket.gaierror(socket.EAI_AGAIN, "Temporary failure in name resolution"),
            "the name b cannot be resolved: no name server answers",
        ),
        (TimeoutError("timed out"), "no answer from b:8883"),
        (ConnectionRefusedError(111, "x"), "connection refused: nothing listens on b:8883"),
        (OSError(113, "No route to host"), "no connection to b:8883: No route to host"),
        (ValueError("Invalid host."), "no connection to b:8883: Invalid host."),
    ],
)
def test_why_a_broker_is_out_of_reach(error: Exception, why: str) -> None:
    assert why_unreachable(error, "b", 8883) == why


def test_a_tls_failure_names_the_library_s_reason() -> None:
    left, right = socket.socketpair()
    right.sendall(b"this is no TLS handshake")
    context = ssl.create_default_context()
    with left, right, pytest.raises(ssl.SSLError) as caught:
        context.wrap_socket(left, server_hostname="b")
    assert why_unreachable(caught.value, "b", 1) == "TLS with b:1 failed: WRONG_VERSION_NUMBER"


def test_an_unknown_code_keeps_its_number() -> None:
    assert in_words(200) == "the broker gives reason code 200"
