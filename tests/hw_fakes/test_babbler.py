import asyncio
import socket

import pytest

from hw_fakes.babbler import Babbler, Manners, RudeServer
from hw_fakes.ports import PtyPort


async def test_a_babbler_sends_of_its_alphabet_until_it_is_stopped(tmp_path):
    port = PtyPort(tmp_path / "usb")
    port.plug()
    babbler = Babbler(port, burst=100, alphabet=b"ab")
    babbler.start()
    with port.path.open("rb", buffering=0) as near:
        heard = b""
        while len(heard) < 20_000:
            heard += await asyncio.to_thread(near.read, 4096)
    babbler.stop()
    assert set(heard) == set(b"ab")
    assert babbler.sent >= len(heard)
    port.unplug()


def test_a_port_that_is_not_plugged_has_no_far_end(tmp_path):
    with pytest.raises(RuntimeError, match="not plugged"):
        _ = PtyPort(tmp_path / "usb").far_end


def connected(server):
    return socket.create_connection((server.host, server.port), timeout=5)


def test_a_server_that_hangs_up():
    with RudeServer(Manners.HANG_UP) as server, connected(server) as client:
        assert client.recv(10) == b""
        assert server.connections == 1


def test_a_server_that_says_nothing():
    with RudeServer(Manners.SILENT) as server, connected(server) as client:
        client.sendall(b"anybody there?")
        client.settimeout(0.1)
        with pytest.raises(TimeoutError):
            client.recv(10)


def test_a_server_that_babbles():
    with RudeServer(Manners.BABBLE) as server, connected(server) as client:
        heard = 0
        while heard < 1_000_000:
            heard += len(client.recv(65_536))
