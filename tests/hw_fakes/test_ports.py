import asyncio

import pytest
import serial

from hw_fakes.ports import PtyPort


class Heard:
    """Bytes that a port hands over, and a way to wait for them."""

    def __init__(self, port):
        self.data = b""
        self._more = asyncio.Event()
        port.attach(self._take)

    def _take(self, data):
        self.data += data
        self._more.set()

    async def until(self, data):
        while self.data != data:
            self._more.clear()
            await asyncio.wait_for(self._more.wait(), 5)


def open_serial(port):
    return serial.Serial(str(port.path), timeout=5, exclusive=True)


@pytest.fixture
async def port(tmp_path):
    port = PtyPort(tmp_path / "by-id" / "usb-adapter")
    port.plug()
    yield port
    port.unplug()


async def test_all_256_bytes_pass_unchanged_both_ways(port):
    heard = Heard(port)
    everything = bytes(range(256))
    with open_serial(port) as near:
        near.write(everything)
        await heard.until(everything)
        port.write(everything)
        assert near.read(256) == everything


async def test_every_listener_hears_every_byte(port):
    first, second = Heard(port), Heard(port)
    with open_serial(port) as near:
        near.write(b"?")
    await first.until(b"?")
    assert second.data == b"?"


async def test_clients_may_come_and_go(port):
    heard = Heard(port)
    for _ in range(3):
        with open_serial(port) as near:
            near.write(b"x")
    await heard.until(b"xxx")


async def test_unplugging_is_seen_by_who_has_it_open_and_plugging_brings_the_path_back(port):
    near = open_serial(port)
    port.unplug()
    assert not port.plugged
    assert not port.path.is_symlink()
    with pytest.raises(OSError):  # noqa: PT011 - whichever error the kernel has for it
        near.write(b"?")
    near.close()
    port.write(b"nobody hears this")

    port.plug()
    heard = Heard(port)
    with open_serial(port) as again:
        again.write(b"back")
        await heard.until(b"back")


async def test_a_line_that_nobody_reads_loses_bytes_instead_of_waiting(port):
    for _ in range(200):
        port.write(bytes(1000))


async def test_plugging_twice_and_unplugging_twice_is_harmless(port):
    target = port.path.readlink()
    port.plug()
    assert port.path.readlink() == target
    port.unplug()
    port.unplug()
    assert not port.path.is_symlink()
