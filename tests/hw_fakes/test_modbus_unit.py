import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU

from hw_fakes.checksums import crc16
from hw_fakes.faults import Fault, FaultKind
from hw_fakes.modbus_unit import (
    ModbusUnit,
    RtuFraming,
    TcpFraming,
    split_rtu_requests,
    split_tcp_requests,
)

READ_TWO_INPUTS = bytes([4, 0, 8, 0, 2])


def pdu(function, address, count):
    return bytes([function]) + address.to_bytes(2, "big") + count.to_bytes(2, "big")


def request(unit, body):
    return RtuFraming().wrap(unit, body)


@pytest.fixture
def unit():
    unit = ModbusUnit(7)
    unit.place("input", 8, 2, lambda: [0x1234, 0x5678])
    unit.place("holding", 0, 1, lambda: [9])
    unit.place("coil", 19, 19, lambda: [int(bit) for bit in "1011001111010110101"])
    return unit


def test_crc_of_the_standard():
    # Modbus over Serial Line V1.02, section 6.2.2: 02 07 is followed by 41 12 on the wire.
    assert RtuFraming().wrap(0x02, b"\x07") == bytes([0x02, 0x07, 0x41, 0x12])


@given(st.binary(max_size=300), st.integers(0, 300))
def test_crc_against_pymodbus(data, cut):
    # pymodbus gives the CRC in the order of the wire.
    assert crc16(data).to_bytes(2, "little") == FramerRTU.compute_CRC(data).to_bytes(2, "big")
    assert crc16(data[cut:], crc16(data[:cut])) == crc16(data)


def test_registers_as_in_the_standard(unit):
    # Modbus Application Protocol V1.1b3, section 6.4: function, byte count, registers.
    assert unit.respond(READ_TWO_INPUTS) == bytes([4, 4, 0x12, 0x34, 0x56, 0x78])


def test_coils_as_in_the_standard():
    # Modbus Application Protocol V1.1b3, section 6.1: coils 20 to 38 read as CD 6B 05.
    coils = "1011001111010110101"
    unit = ModbusUnit(1)
    unit.place("coil", 19, 19, lambda: [int(bit) for bit in coils])
    assert unit.respond(pdu(1, 19, 19)) == bytes([0x01, 0x03, 0xCD, 0x6B, 0x05])


def test_each_function_reads_its_own_table():
    unit = ModbusUnit(1)
    for table, number in [("coil", 1), ("discrete", 0), ("holding", 3), ("input", 4)]:
        unit.place(table, 5, 1, lambda number=number: [number])
    replies = [unit.respond(pdu(function, 5, 1)) for function in (1, 2, 3, 4)]
    assert replies == [b"\1\1\1", b"\2\1\0", b"\3\2\0\3", b"\4\2\0\4"]


def test_values_are_asked_for_at_the_instant_of_the_request():
    numbers = iter([1, 2])
    unit = ModbusUnit(1)
    unit.place("input", 0, 1, lambda: [next(numbers)])
    assert unit.respond(pdu(4, 0, 1))[-1] == 1
    assert unit.respond(pdu(4, 0, 1))[-1] == 2


# Modbus Application Protocol V1.1b3, section 7 and the state diagrams of section 6.
@pytest.mark.parametrize(
    ("body", "code"),
    [
        (pdu(5, 0, 0), 2),
        (pdu(6, 0, 0), 1),
        (bytes([0x2B, 0x0E, 1, 0]), 1),
        (pdu(4, 8, 0), 3),
        (pdu(4, 8, 126), 3),
        (pdu(1, 19, 2001), 3),
        (pdu(4, 8, 1)[:-1], 3),
        (pdu(4, 8, 3), 2),
        (pdu(4, 7, 2), 2),
        (pdu(3, 8, 2), 2),
        (pdu(2, 19, 1), 2),
    ],
)
def test_exceptions(unit, body, code):
    assert unit.respond(body) == bytes([body[0] | 0x80, code])


def test_part_of_a_value_can_be_read(unit):
    assert unit.respond(pdu(4, 9, 1)) == bytes([4, 2, 0x56, 0x78])


def test_two_values_cannot_lie_on_each_other(unit):
    with pytest.raises(ValueError, match="share input 9 to 9"):
        unit.place("input", 9, 1, lambda: [0])


def sent(unit, framing=None):
    return [t.data for t in unit.answer(READ_TWO_INPUTS, framing or RtuFraming())]


@pytest.mark.parametrize("framing", [RtuFraming(), TcpFraming(0x0102)])
def test_faults_of_a_reply(unit, framing):
    (good,) = sent(unit, framing)
    at_unit = 0 if isinstance(framing, RtuFraming) else 6

    unit.faults.set(FaultKind.DEAD)
    assert sent(unit, framing) == []

    unit.faults.set(Fault(FaultKind.SLOW, seconds=0.25))
    (slow,) = unit.answer(READ_TWO_INPUTS, framing)
    assert (slow.data, slow.after) == (good, 0.25)

    unit.faults.set(FaultKind.BAD_CHECKSUM)
    (spoilt,) = sent(unit, framing)
    assert sum(a != b for a, b in zip(good, spoilt, strict=True)) == 1

    unit.faults.set(FaultKind.SHORT)
    assert sent(unit, framing) == [good[: len(good) // 2]]

    unit.faults.set(FaultKind.WRONG_UNIT)
    (strange,) = sent(unit, framing)
    assert strange == framing.wrap(8, unit.respond(READ_TWO_INPUTS))
    assert strange[at_unit] == 8

    unit.faults.set(Fault(FaultKind.EXCEPTION, code=6))
    assert sent(unit, framing) == [framing.wrap(7, bytes([0x84, 6]))]

    unit.faults.clear()
    assert sent(unit, framing) == [good]
    assert unit.requests == 8


def test_a_spoilt_rtu_frame_fails_the_crc(unit):
    unit.faults.set(FaultKind.BAD_CHECKSUM)
    (spoilt,) = sent(unit)
    assert crc16(spoilt) != 0


def test_babble_is_the_same_in_every_run(unit):
    twin = ModbusUnit(7)
    for one in (unit, twin):
        one.faults.set(FaultKind.BABBLE)
    babble = [sent(unit) for _ in range(5)]
    assert babble == [sent(twin) for _ in range(5)]
    assert len({data for (data,) in babble}) == 5


def test_a_late_reply_comes_with_the_next_request(unit):
    numbers = iter(range(1, 10))
    unit = ModbusUnit(1)
    unit.place("input", 8, 2, lambda: [0, next(numbers)])
    unit.faults.set(FaultKind.LATE)
    assert sent(unit) == []
    assert [data[-3] for data in sent(unit)] == [1]
    unit.faults.clear()
    assert [data[-3] for data in sent(unit)] == [2, 3]
    assert [data[-3] for data in sent(unit)] == [4]


def test_a_fault_can_strike_now_and_then(unit):
    unit.faults.set(Fault(FaultKind.DEAD, every=3))
    assert [len(sent(unit)) for _ in range(6)] == [1, 1, 0, 1, 1, 0]


def test_a_fault_that_makes_no_sense_is_refused(unit):
    with pytest.raises(ValueError, match="cannot have the fault 'text'"):
        unit.faults.set(FaultKind.TEXT)


REQUESTS = st.lists(
    st.tuples(
        st.integers(1, 247),
        st.one_of(
            st.builds(pdu, st.integers(1, 6), st.integers(0, 65535), st.integers(0, 65535)),
            st.binary(max_size=20).map(lambda d: bytes([16, 0, 0, 0, 1, len(d)]) + d),
        ),
    ),
    max_size=4,
)


@given(REQUESTS, st.lists(st.integers(0, 200), max_size=4))
def test_rtu_requests_are_found_however_the_stream_is_cut(requests, cuts):
    stream = b"".join(request(unit, body) for unit, body in requests)
    found, rest, start = [], b"", 0
    for cut in [*sorted(cuts), len(stream)]:
        portion, start = stream[start:cut], max(start, cut)
        more, rest = split_rtu_requests(rest + portion)
        found += more
    assert found == requests
    assert rest == b""


def test_rtu_noise_and_a_broken_request_are_passed_over():
    good = request(3, READ_TWO_INPUTS)
    noise = b"\xff\x00\x55" + good[:5]
    assert split_rtu_requests(noise + good + good[:4]) == ([(3, READ_TWO_INPUTS)], good[:4])


def test_an_unknown_function_ends_where_its_crc_does():
    assert split_rtu_requests(request(3, b"\x11")) == ([(3, b"\x11")], b"")
    assert split_rtu_requests(request(3, bytes([0x2B, 14, 1, 0]))[:-1])[0] == []


def test_endless_noise_is_not_hoarded():
    _, rest = split_rtu_requests(bytes([0xAA]) * 600)
    assert len(rest) < 256


@given(
    st.lists(st.tuples(st.integers(0, 65535), st.integers(0, 255), st.binary(min_size=1))),
    st.lists(st.integers(0, 200), max_size=4),
)
def test_tcp_requests_are_found_however_the_stream_is_cut(requests, cuts):
    stream = b"".join(TcpFraming(t).wrap(unit, body) for t, unit, body in requests)
    found, rest, start = [], b"", 0
    for cut in [*sorted(cuts), len(stream)]:
        portion, start = stream[start:cut], max(start, cut)
        more, rest = split_tcp_requests(rest + portion)
        found += more
    assert found == requests
    assert rest == b""


@pytest.mark.parametrize("header", ["0001 0001 0006 01", "0001 0000 0001 01", "0001 0000 00ff 01"])
def test_what_is_no_mbap_header_is_refused(header):
    with pytest.raises(ValueError, match="no MBAP header"):
        split_tcp_requests(bytes.fromhex(header) + READ_TWO_INPUTS)
