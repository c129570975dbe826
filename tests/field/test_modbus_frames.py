"""Frames by the standard's own words, and replies found in whatever surrounds them."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.bit_message import ReadCoilsResponse, ReadDiscreteInputsResponse
from pymodbus.pdu.register_message import ReadHoldingRegistersResponse, ReadInputRegistersResponse

from edge.field.modbus_frames import WRITE_COIL, Asked, diagnose, find_reply, values
from edge.status import Quality, Reason
from hw_fakes.modbus_unit import RtuFraming, TcpFraming, exception_reply


# A reply of unit 1 to function 4 with one register, CRC by the rule of Modbus over Serial Line
# V1.02, section 6.2.2 (the frame is computed here bit by bit, apart from the library in use).
def crc(data):
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = (register >> 1) ^ (0xA001 if register & 1 else 0)
    return register.to_bytes(2, "little")


def frame(*body):
    return bytes(body) + crc(bytes(body))


def test_the_crc_of_the_standard():
    assert crc(b"\x02\x07") == b"\x41\x12"  # Modbus over Serial Line V1.02, section 6.2.2


GOOD = frame(1, 4, 2, 0x12, 0x34)


@pytest.mark.parametrize(
    ("heard", "reason"),
    [
        (b"", Reason.NO_REPLY),
        (GOOD[:3], Reason.SHORT_FRAME),
        (GOOD[:6], Reason.SHORT_FRAME),
        (GOOD[:-1] + b"\0", Reason.BAD_CHECKSUM),
        (b"\xff\xfe\xfd\xfc\xfb\xfa", Reason.BAD_CHECKSUM),
        (b"\x07\x55\x60\x00\x00\x00\x00", Reason.BAD_CHECKSUM),
        (frame(2, 4, 2, 0x12, 0x34), Reason.WRONG_UNIT),
        (frame(1, 3, 2, 0x12, 0x34), Reason.WRONG_REPLY),
        (frame(2, 0x84, 2), Reason.WRONG_UNIT),
    ],
)
def test_why_an_rtu_reply_failed(heard, reason):
    assert diagnose(heard, Asked("rtu", 1, 4, 0, 1)) is reason


@pytest.mark.parametrize(
    ("heard", "reason"),
    [
        (b"", Reason.NO_REPLY),
        (b"\0\1\0\0\0\5\1", Reason.SHORT_FRAME),
        (b"\0\1\0\0\0\5\1\4\2\0", Reason.SHORT_FRAME),
        (b"\0\1\0\0\0\5\2\4\2\0\0", Reason.WRONG_UNIT),
        (b"\0\1\0\0\0\5\1\3\2\0\0", Reason.WRONG_REPLY),
        (b"HTTP/1.1 400 Bad Request", Reason.WRONG_REPLY),
    ],
)
def test_why_a_tcp_reply_failed(heard, reason):
    assert diagnose(heard, Asked("tcp", 1, 4, 0, 1, 1)) is reason


@given(st.binary(max_size=40), st.sampled_from(["rtu", "tcp"]))
def test_whatever_is_heard_has_a_bad_reason(heard, framing):
    assert diagnose(heard, Asked(framing, 1, 4, 0, 1, 1)).quality is Quality.BAD


# Modbus Application Protocol V1.1b3, sections 6.1 to 6.4, print an exchange for each function; the
# MBAP header is that of the Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3.
EXCHANGES = [
    (1, 0x13, 19, "01 0013 0013", "01 03 CD6B05"),
    (2, 0xC4, 22, "02 00C4 0016", "02 03 ACDB35"),
    (3, 0x6B, 3, "03 006B 0003", "03 06 022B 0000 0064"),
    (4, 8, 1, "04 0008 0001", "04 02 000A"),
]


@pytest.mark.parametrize(("function", "address", "count", "request_", "reply"), EXCHANGES)
def test_the_exchanges_of_the_standard(function, address, count, request_, reply):
    pdu, answer = bytes.fromhex(request_), bytes.fromhex(reply)
    rtu = Asked("rtu", 0x11, function, address, count)
    assert rtu.frame == frame(0x11, *pdu)
    assert find_reply(frame(0x11, *answer), rtu) == answer
    tcp = Asked("tcp", 0x11, function, address, count, 0x1501)
    assert tcp.frame == bytes.fromhex("1501 0000 0006 11") + pdu
    length = (1 + len(answer)).to_bytes(2, "big")
    assert find_reply(b"\x15\x01\0\0" + length + b"\x11" + answer, tcp) == answer


def test_the_values_of_the_standard():
    # Section 6.1: CD 6B 05 are coils 20 to 38, of which 20 is the lowest bit of CD.
    coils = values(bytes.fromhex("01 03 CD6B05"), Asked("rtu", 1, 1, 0x13, 19))
    assert coils == [1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1]
    registers = values(bytes.fromhex("03 06 022B 0000 0064"), Asked("rtu", 1, 3, 0x6B, 3))
    assert registers == [555, 0, 100]
    assert values(b"\x84\x02", Asked("rtu", 1, 4, 0, 1)) is Reason.ILLEGAL_ADDRESS


# Reference library: pymodbus, which writes the replies here.
@given(st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=125), st.sampled_from([3, 4]))
def test_registers_as_pymodbus_sends_them(registers, function):
    kind = {3: ReadHoldingRegistersResponse, 4: ReadInputRegistersResponse}[function]
    reply = kind(registers=registers, dev_id=9, transaction_id=77)
    for framing, framer in (("rtu", FramerRTU), ("tcp", FramerSocket)):
        asked = Asked(framing, 9, function, 0, len(registers), 77)
        found = find_reply(framer(DecodePDU(False)).buildFrame(reply), asked)
        assert values(found, asked) == registers


@given(st.lists(st.booleans(), min_size=1, max_size=2000), st.sampled_from([1, 2]))
def test_coils_as_pymodbus_sends_them(bits, function):
    kind = {1: ReadCoilsResponse, 2: ReadDiscreteInputsResponse}[function]
    reply = kind(bits=bits, dev_id=9, transaction_id=77)
    for framing, framer in (("rtu", FramerRTU), ("tcp", FramerSocket)):
        asked = Asked(framing, 9, function, 0, len(bits), 77)
        found = find_reply(framer(DecodePDU(False)).buildFrame(reply), asked)
        assert values(found, asked) == bits


ASKED = {
    "rtu": Asked("rtu", 1, 4, 0, 1),
    "tcp": Asked("tcp", 1, 4, 0, 1, 300),
}
FRAMES = {"rtu": RtuFraming(), "tcp": TcpFraming(300)}
ANSWER = b"\x04\x02\x12\x34"
both = pytest.mark.parametrize("framing", ["rtu", "tcp"])


@both
def test_the_reply_is_found_behind_the_requests_own_echo(framing):
    asked = ASKED[framing]
    assert find_reply(asked.frame, asked) is None
    assert find_reply(asked.frame + FRAMES[framing].wrap(1, ANSWER), asked) == ANSWER


@both
@pytest.mark.parametrize("before", [b"\x00\xff", b"\x01\x04\x02", b"\x01\x84", b"\x01"])
def test_the_reply_is_found_behind_half_a_frame(framing, before):
    heard = before + FRAMES[framing].wrap(1, ANSWER) + b"\xfe"
    assert find_reply(heard, ASKED[framing]) == ANSWER


@both
def test_it_is_not_there_before_its_last_byte(framing):
    reply = FRAMES[framing].wrap(1, ANSWER)
    for length in range(len(reply)):
        assert find_reply(reply[:length], ASKED[framing]) is None


@both
@pytest.mark.parametrize(
    ("unit", "pdu"),
    [
        (2, ANSWER),  # another unit
        (1, b"\x03\x02\x12\x34"),  # another function
        (1, b"\x04\x04\x12\x34\x12\x34"),  # more than was asked for
        (1, b"\x04\x04\x12\x34"),  # less than it says
        (2, exception_reply(4, 2)),
        (1, exception_reply(3, 2)),
    ],
)
def test_what_is_no_reply_to_what_was_asked(framing, unit, pdu):
    assert find_reply(FRAMES[framing].wrap(unit, pdu), ASKED[framing]) is None


@both
def test_a_refusal_is_a_reply(framing):
    refusal = exception_reply(4, 6)
    assert find_reply(FRAMES[framing].wrap(1, refusal), ASKED[framing]) == refusal
    assert values(refusal, ASKED[framing]) is Reason.DEVICE_BUSY


def test_whatever_the_exception_code_it_is_a_bad_reason_of_the_line():
    reasons = {values(bytes([0x84, code]), ASKED["rtu"]) for code in range(256)}
    assert all(reason.of_the_line and reason.quality is Quality.BAD for reason in reasons)


def test_the_reply_to_another_transaction_is_none():
    assert find_reply(TcpFraming(299).wrap(1, ANSWER), ASKED["tcp"]) is None


def test_who_asks_unit_0_over_tcp_takes_the_answer_of_any_number():
    assert find_reply(TcpFraming(300).wrap(255, ANSWER), Asked("tcp", 0, 4, 0, 1, 300)) == ANSWER


@both
@given(before=st.binary(max_size=300), after=st.binary(max_size=9))
def test_noise_around_a_reply_never_hides_or_changes_it(framing, before, after):
    # A chance match of 40 bits of noise is what this would fail on.
    heard = before + FRAMES[framing].wrap(1, ANSWER) + after
    assert find_reply(heard, ASKED[framing]) == ANSWER


# Modbus Application Protocol V1.1b3, section 6.5: the example of "Write Single Coil" (coil 173 on).
class TestWritingACoil:
    ASKED = Asked("tcp", 1, WRITE_COIL, 172, 1, 7, on=True)

    def test_the_request_of_the_standard(self):
        assert self.ASKED.frame[7:] == bytes.fromhex("05 00 AC FF 00")
        off = replace(self.ASKED, on=False)
        assert off.frame[7:] == bytes.fromhex("05 00 AC 00 00")

    def test_the_reply_of_the_standard(self):
        reply = bytes.fromhex("0007 0000 0006 01 05 00AC FF00")
        pdu = find_reply(reply, self.ASKED)
        assert pdu == bytes.fromhex("05 00 AC FF 00")
        assert values(pdu, self.ASKED) == [1]

    @pytest.mark.parametrize("framing", ["rtu", "tcp"])
    def test_only_the_very_request_is_its_reply(self, framing):
        asked = replace(self.ASKED, framing=framing)
        assert find_reply(asked.frame, asked) is not None
        for other in (
            replace(asked, on=False),
            replace(asked, address=173),
            replace(asked, unit=2),
        ):
            assert find_reply(other.frame, asked) is None

    @pytest.mark.parametrize("framing", ["rtu", "tcp"])
    def test_why_there_is_none(self, framing):
        asked = replace(self.ASKED, framing=framing)
        assert diagnose(b"", asked) is Reason.NO_REPLY
        assert diagnose(asked.frame[:-3], asked) is Reason.SHORT_FRAME
        assert diagnose(replace(asked, on=False).frame, asked) is Reason.WRONG_REPLY
        assert diagnose(replace(asked, unit=2).frame, asked) is Reason.WRONG_UNIT
        if framing == "rtu":
            spoilt = asked.frame[:-1] + bytes([asked.frame[-1] ^ 1])
            assert diagnose(spoilt, asked) is Reason.BAD_CHECKSUM

    def test_a_refusal(self):
        refusal = bytes.fromhex("0007 0000 0003 01 85 02")
        pdu = find_reply(refusal, self.ASKED)
        assert values(pdu, self.ASKED) is Reason.ILLEGAL_ADDRESS

    @given(st.binary(max_size=40), st.binary(max_size=40), st.sampled_from(["rtu", "tcp"]))
    def test_the_reply_is_found_in_noise(self, before, after, framing):
        asked = replace(self.ASKED, framing=framing)
        assert find_reply(before + asked.frame + after, asked) == asked.reply_head

    @given(st.integers(0, 12 * 8 - 1), st.sampled_from(["rtu", "tcp"]))
    def test_no_flipped_bit_passes(self, bit, framing):
        asked = replace(self.ASKED, framing=framing)
        spoilt = bytearray(asked.frame)
        spoilt[bit // 8 % len(spoilt)] ^= 1 << bit % 8
        assert find_reply(bytes(spoilt), asked) is None
