import asyncio
import os

from edge.field.serial_port import SerialPort
from edge.station.model import SerialSettings
from edge.status import Reason
from hw_fakes.ports import PtyPort


class Heard:
    """What a serial port hands over."""

    def __init__(self, pty):
        self.data, self.more, self.lost = b"", asyncio.Event(), asyncio.Event()
        self.port = SerialPort(SerialSettings(port=str(pty.path)), self._take, self.lost.set)

    def _take(self, data):
        self.data += data
        self.more.set()


async def test_each_way_not_to_open_has_its_reason(tmp_path, monkeypatch):
    pty = PtyPort(tmp_path / "usb")
    port = Heard(pty).port
    assert await port.open() is Reason.PORT_ABSENT
    pty.plug()
    holder = Heard(pty).port
    assert await holder.open() is Reason.OK
    assert await port.open() is Reason.PORT_UNUSABLE
    monkeypatch.setattr(os, "access", lambda *_: False)
    assert await port.open() is Reason.PORT_DENIED
    holder.close()
    assert await port.open() is Reason.OK
    port.close()
    pty.unplug()


async def test_a_port_that_is_pulled_out_says_so_by_itself(tmp_path):
    pty = PtyPort(tmp_path / "usb")
    pty.plug()
    heard = Heard(pty)
    await heard.port.open()
    pty.unplug()
    await heard.lost.wait()
    assert not heard.port.is_open
    assert not heard.port.write(b"?")


async def test_closing_on_purpose_is_no_loss(tmp_path):
    pty = PtyPort(tmp_path / "usb")
    pty.plug()
    heard = Heard(pty)
    await heard.port.open()
    heard.port.close()
    heard.port.close()
    assert not heard.lost.is_set()
    pty.unplug()


async def test_what_came_before_a_request_is_forgotten(tmp_path):
    pty = PtyPort(tmp_path / "usb")
    pty.plug()
    pty.attach(lambda _: pty.write(b"reply"))
    heard = Heard(pty)
    await heard.port.open()
    pty.write(b"stale")  # lies in the kernel's buffer: the loop has no turn before the request
    assert heard.port.write(b"?")
    await heard.more.wait()
    assert heard.data == b"reply"
    heard.port.close()
    pty.unplug()


async def test_a_port_that_rests_hears_the_remainder_afterwards(tmp_path):
    pty = PtyPort(tmp_path / "usb")
    pty.plug()
    heard = Heard(pty)
    await heard.port.open()
    total = 0
    while total < 30_000:
        pty.write(b"x" * 1000)
        total += 1000
        while len(heard.data) < total:
            heard.more.clear()
            await heard.more.wait()
    assert len(heard.data) == total
    heard.port.close()
    pty.unplug()


async def test_a_port_that_rests_can_be_closed(tmp_path):
    pty = PtyPort(tmp_path / "usb")
    pty.plug()
    heard = Heard(pty)
    await heard.port.open()
    while heard.port._resting is None:
        pty.write(b"x" * 1000)
        await asyncio.sleep(0)
    heard.port.close()
    assert await heard.port.open() is Reason.OK
    pty.write(b"alive")
    while not heard.data.endswith(b"alive"):
        heard.more.clear()
        await heard.more.wait()
    heard.port.close()
    pty.unplug()
