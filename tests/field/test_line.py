"""The line driver against simulated devices on real pty pairs."""

import asyncio
import contextlib

import pytest

from edge.clock import SystemClock
from edge.field.line import LineDriver
from edge.station.model import LineBus
from edge.station.reads import LineRead
from edge.status import Reason
from hw_fakes.babbler import Babbler
from hw_fakes.faults import Fault, FaultKind
from hw_fakes.line_device import LineSlave, LineUnit
from hw_fakes.ports import PtyPort

REPLY = r"L=(?P<level>[^,]*),T=(?P<air>[^,]*)"
POINTS = {"level": LineRead(field="level"), "air": LineRead(field="air")}
ASKED = {"reply": REPLY, "request": "?A\r", "checksum": "xor", "timeout": "60 ms"}
ASKED_TOO = {"reply": REPLY, "request": "?B\r", "terminator": "\n", "timeout": "60 ms"}
UNASKED = {"reply": REPLY, "checksum": "crc16", "checksum_mark": "*", "timeout": "5 s"}


@contextlib.asynccontextmanager
async def line_bus(tmp_path, **devices):
    port = PtyPort(tmp_path / "usb-line")
    port.plug()
    units = {
        name: LineUnit(
            lambda: "L=1.500,T=-3.25",
            request=settings.get("request"),
            terminator=settings.get("terminator", "\r\n"),
            checksum=settings.get("checksum", "none"),
            checksum_mark=settings.get("checksum_mark", ""),
            interval=0.02,
        )
        for name, settings in devices.items()
    }
    slave = LineSlave(port, list(units.values()), SystemClock())
    bus = LineBus.model_validate({"kind": "line", "port": str(port.path), "devices": devices})
    driver = LineDriver(bus, POINTS, SystemClock())
    try:
        yield driver, units, port, slave
    finally:
        await driver.close()
        await slave.close()
        port.unplug()


async def read(driver, device="a", tries=1):
    samples = await driver.read(device, ["level", "air"], tries=tries)
    return tuple(s.raw if s.raw is not None else s.reason for s in samples)


async def test_two_devices_asked_on_one_line(tmp_path):
    async with line_bus(tmp_path, a=ASKED, b=ASKED_TOO) as (driver, _, _, _):
        assert await driver.open() is Reason.OK
        assert await read(driver, "a") == (1.5, -3.25)
        assert await read(driver, "b") == (1.5, -3.25)


@pytest.mark.parametrize(
    ("fault", "answer"),
    [
        (FaultKind.DEAD, (Reason.NO_REPLY,) * 2),
        (FaultKind.SHORT, (Reason.SHORT_FRAME,) * 2),
        (FaultKind.BAD_CHECKSUM, (Reason.BAD_CHECKSUM,) * 2),
        (FaultKind.TEXT, (Reason.NOT_A_NUMBER,) * 2),
    ],
)
async def test_each_failure_has_its_reason(tmp_path, fault, answer):
    async with line_bus(tmp_path, a=ASKED) as (driver, units, _, _):
        await driver.open()
        units["a"].faults.set(fault)
        assert await read(driver) == answer
        units["a"].faults.clear()
        assert await read(driver) == (1.5, -3.25)


async def test_a_retry_gets_over_a_lost_reply(tmp_path):
    async with line_bus(tmp_path, a=ASKED) as (driver, units, _, _):
        await driver.open()
        units["a"].faults.set(Fault(FaultKind.DEAD, every=2))
        for _ in range(4):
            assert await read(driver, tries=2) == (1.5, -3.25)


async def test_an_adapter_that_hears_itself(tmp_path):
    async with line_bus(tmp_path, a=ASKED) as (driver, _, port, _):
        port.attach(lambda data: port.write(data.replace(b"\r", b"\r\n")))
        await driver.open()
        assert await read(driver) == (1.5, -3.25)


async def test_a_babbling_line_is_bounded_and_bad(tmp_path):
    async with line_bus(tmp_path, a=ASKED) as (driver, units, port, _):
        await driver.open()
        units["a"].faults.set(FaultKind.DEAD)
        port.attach(lambda _: port.write(b"\r\n".join([b"noise"] * 50)))
        assert await read(driver) == (Reason.BAD_CHECKSUM,) * 2


async def test_an_adapter_pulled_out_and_put_back(tmp_path):
    async with line_bus(tmp_path, a=ASKED) as (driver, _, port, _):
        await driver.open()
        port.unplug()
        assert await read(driver) == (Reason.PORT_ABSENT,) * 2
        assert await driver.open() is Reason.PORT_ABSENT
        port.plug()
        assert await driver.open() is Reason.OK
        assert await read(driver) == (1.5, -3.25)


async def test_a_late_reply_never_passes_for_that_of_another_device(tmp_path):
    async with line_bus(tmp_path, a=ASKED, b=ASKED | {"request": "?B\r"}) as (driver, units, _, _):
        await driver.open()
        units["b"].render = lambda: "L=9.000,T=9.00"
        units["a"].faults.set(Fault(FaultKind.SLOW, seconds=0.08))
        for _ in range(3):
            assert await read(driver, "a") == (Reason.NO_REPLY,) * 2
            assert await read(driver, "b") == (9.0, 9.0)


class Listening:
    """Lets a test wait for the next line that a device has sent by itself."""

    def __init__(self, driver):
        self.heard = asyncio.Event()
        take = driver._bytes

        def tell(data):
            take(data)
            if driver._last:
                self.heard.set()

        driver._port._on_bytes = tell


async def test_a_device_that_talks_unasked(tmp_path):
    async with line_bus(tmp_path, a=UNASKED) as (driver, units, _, slave):
        assert await driver.open() is Reason.OK
        listening = Listening(driver)
        slave.start()
        assert await read(driver) == (1.5, -3.25)  # its first word is waited for
        units["a"].faults.set(FaultKind.BAD_CHECKSUM)
        while await read(driver) == (1.5, -3.25):
            listening.heard.clear()
            await listening.heard.wait()
        assert await read(driver) == (Reason.BAD_CHECKSUM,) * 2


async def test_old_word_is_no_word(tmp_path):
    async with line_bus(tmp_path, a=UNASKED | {"timeout": "1 ms"}) as (driver, units, _, slave):
        await driver.open()
        listening = Listening(driver)
        slave.start()
        await listening.heard.wait()
        units["a"].faults.set(FaultKind.DEAD)
        await asyncio.sleep(0.005)  # the time-out itself is what is waited for
        assert await read(driver) == (Reason.SILENT,) * 2


async def test_a_device_that_never_speaks_is_silent(tmp_path):
    async with line_bus(tmp_path, a=UNASKED | {"timeout": "20 ms"}) as (driver, _, _, _):
        await driver.open()
        assert await read(driver) == (Reason.SILENT,) * 2


async def test_a_silent_device_on_a_port_that_vanished(tmp_path):
    async with line_bus(tmp_path, a=UNASKED) as (driver, _, port, _):
        await driver.open()
        driver._port.close()
        port.unplug()
        assert await read(driver) == (Reason.PORT_ABSENT,) * 2


async def until_it_says(driver, wanted):
    said = None
    while said != wanted:
        await asyncio.sleep(0)
        said = await read(driver)


async def test_a_talker_that_never_comes_to_an_end_babbles(tmp_path):
    async with line_bus(tmp_path, a=UNASKED | {"timeout": "1 s"}) as (driver, _, port, slave):
        await driver.open()
        babbler = Babbler(port, alphabet=b"x")
        babbler.start()
        await until_it_says(driver, (Reason.BABBLE,) * 2)
        babbler.stop()
        slave.start()
        await until_it_says(driver, (1.5, -3.25))
