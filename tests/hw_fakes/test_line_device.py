import asyncio

import pytest
import serial
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU

from hw_fakes.checksums import checksum_digits
from hw_fakes.clock import ManualClock
from hw_fakes.faults import Fault, FaultKind
from hw_fakes.line_device import LineSlave, LineUnit, find_requests
from hw_fakes.ports import PtyPort

TEXT = "VB=12.615,VP=-0.500"


def unit(**kwargs):
    return LineUnit(lambda: TEXT, request="?STATUS\r", **kwargs)


def said(unit):
    return [t.data for t in unit.speak()]


def test_a_bare_line():
    assert said(unit()) == [b"VB=12.615,VP=-0.500\r\n"]
    assert said(unit(terminator="\n")) == [b"VB=12.615,VP=-0.500\n"]


def test_xor_check_value_of_a_published_sentence():
    # NMEA 0183 prints the XOR of all between "$" and "*" in hexadecimal; this GGA sentence, with
    # its check value 47, stands in many descriptions of the standard.
    body = b"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"
    assert checksum_digits("xor", body) == "47"
    line = LineUnit(lambda: "$" + body.decode(), checksum="xor", checksum_mark="*", checksum_skip=1)
    assert said(line) == [b"$" + body + b"*47\r\n"]


def test_sum_check_value():
    assert checksum_digits("sum", b"\x80\x81") == "01"
    assert said(unit(checksum="sum")) == [b"%s%02X\r\n" % (TEXT.encode(), sum(TEXT.encode()) % 256)]


def test_crc_check_value():
    # The check value of CRC-16/MODBUS for the nine digits, in every catalogue of CRCs.
    assert checksum_digits("crc16", b"123456789") == "4B37"
    wire = FramerRTU.compute_CRC(TEXT.encode()).to_bytes(2, "big")
    assert said(unit(checksum="crc16", checksum_mark=" ")) == [
        TEXT.encode() + b" " + wire[::-1].hex().upper().encode() + b"\r\n"
    ]


def test_an_unknown_checksum_is_refused():
    with pytest.raises(ValueError, match="md5"):
        checksum_digits("md5", b"")


def test_faults_of_a_line():
    device = unit(checksum="xor", checksum_mark="*")
    (good,) = said(device)

    device.faults.set(FaultKind.DEAD)
    assert said(device) == []

    device.faults.set(Fault(FaultKind.SLOW, seconds=0.5))
    (slow,) = device.speak()
    assert (slow.data, slow.after) == (good, 0.5)

    device.faults.set(FaultKind.BAD_CHECKSUM)
    (spoilt,) = said(device)
    assert len(spoilt) == len(good)
    assert spoilt[:-3] == good[:-3]
    assert spoilt != good

    device.faults.set(FaultKind.TEXT)
    words = b"VB=ERR,VP=ERR"
    check = checksum_digits("xor", words).encode()
    assert said(device) == [words + b"*" + check + b"\r\n"]

    device.faults.set(FaultKind.SHORT)
    assert said(device) == [good[: len(good) // 2]]

    device.faults.set(FaultKind.LATE)
    assert said(device) == []
    assert said(device) == [good]
    device.faults.clear()
    assert said(device) == [good, good]
    assert said(device) == [good]

    device.faults.set(FaultKind.BABBLE)
    twin = unit()
    twin.faults.set(FaultKind.BABBLE)
    assert said(device) == said(twin)
    assert device.requests == 11


def test_a_check_value_of_nought_can_be_spoilt_too():
    device = LineUnit(lambda: "@@", checksum="xor")
    assert said(device) == [b"@@00\r\n"]
    device.faults.set(FaultKind.BAD_CHECKSUM)
    assert said(device) == [b"@@01\r\n"]


def test_a_line_without_check_value_cannot_have_a_wrong_one():
    with pytest.raises(ValueError, match="bad-checksum"):
        unit().faults.set(FaultKind.BAD_CHECKSUM)


REQUESTS = [b"1?\r", b"11?\r", b"?S\r", b"?STATUS\r"]


@given(st.lists(st.sampled_from(range(4))), st.lists(st.integers(0, 100), max_size=4))
def test_requests_are_told_apart_however_the_stream_is_cut(order, cuts):
    stream = b"".join(REQUESTS[i] for i in order)
    found, rest, start = [], b"", 0
    for cut in [*sorted(cuts), len(stream)]:
        portion, start = stream[start:cut], max(start, cut)
        more, rest = find_requests(rest + portion, REQUESTS)
        found += more
    assert found == order
    assert rest == b""


def test_noise_before_a_request_and_longer_requests_of_like_beginning():
    assert find_requests(b"\xff\x001?\r", REQUESTS) == ([0], b"")
    assert find_requests(b"AB", [b"A", b"AB"]) == ([1], b"")
    assert find_requests(b"?ST", REQUESTS) == ([], b"?ST")


@pytest.fixture
async def port(tmp_path):
    port = PtyPort(tmp_path / "charger")
    port.plug()
    yield port
    port.unplug()


async def test_two_devices_on_one_line_answer_each_its_own_request(port):
    one = LineUnit(lambda: "one 1.0", request="1?\r")
    two = LineUnit(lambda: "two 2.0", request="2?\r")
    slave = LineSlave(port, [one, two], ManualClock())
    slave.start()
    with serial.Serial(str(port.path), timeout=5) as near:
        for request, line in [(b"2?\r", b"two 2.0\r\n"), (b"1?\r", b"one 1.0\r\n")]:
            near.write(request)
            assert await asyncio.to_thread(near.readline) == line
        near.write(b"3?\r2?\r")
        assert await asyncio.to_thread(near.readline) == b"two 2.0\r\n"
    assert (one.requests, two.requests) == (1, 2)
    await slave.close()


async def test_a_device_that_talks_unasked_keeps_to_the_clock(port):
    clock = ManualClock()
    numbers = iter(range(100))
    talker = LineUnit(lambda: f"n={next(numbers)}", interval=10)
    slave = LineSlave(port, [talker], clock)
    with serial.Serial(str(port.path), timeout=5) as near:
        slave.start()
        await clock.advance(25)
        assert near.read(15) == b"n=0\r\nn=1\r\nn=2\r\n"
        await slave.close()
        await clock.advance(100)
        assert near.in_waiting == 0
