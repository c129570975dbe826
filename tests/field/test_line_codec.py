import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.field.line_codec import LONGEST_LINE, LineReader, LineSplitter, number
from edge.station.model import LineDevice
from edge.status import Reason


def reader(reply=r"L=(?P<level>\S+)", **more):
    return LineReader(LineDevice(reply=reply, **more))


@given(st.lists(st.binary(max_size=9).filter(lambda b: b"\n" not in b)), st.data())
def test_lines_come_out_whole_however_they_are_cut(lines, data):
    stream = b"".join(line + b"\n" for line in lines) + b"rest"
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=8)))
    splitter, out = LineSplitter(b"\n"), []
    for start, end in zip([0, *cuts], [*cuts, len(stream)], strict=True):
        out += splitter.feed(stream[start:end])
    assert out == lines
    assert splitter.unfinished


def test_a_line_without_end_is_given_up():
    splitter = LineSplitter(b"\n")
    assert splitter.feed(b"x" * (LONGEST_LINE + 1)) == []
    assert not splitter.unfinished
    assert splitter.feed(b"L=1\n") == [b"L=1"]


def test_fields():
    assert reader().read(b"L=3.14") == {"level": "3.14"}
    assert reader(r"L=(?P<level>\d+)( T=(?P<t>\d+))?").read(b"L=3") == {"level": "3", "t": ""}


@pytest.mark.parametrize("line", [b"", b"ERR", b"L=1 L=2", b"\xff\xfe"])
def test_a_line_of_another_shape(line):
    assert reader().read(line) is Reason.WRONG_REPLY


# NMEA 0183: two hexadecimal digits after "*", the XOR of all between "$" and "*". The sentence is
# a widely printed example (from memory).
NMEA = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"


def test_xor_as_in_nmea_0183():
    nmea = reader(r"\$GPGGA,(?P<time>\d+),.*", checksum="xor", checksum_mark="*", checksum_skip=1)
    assert nmea.read(NMEA) == {"time": "123519"}
    assert nmea.read(NMEA.lower().replace(b"*47", b"*48")) is Reason.BAD_CHECKSUM
    assert nmea.read(NMEA.replace(b"*", b"")) is Reason.BAD_CHECKSUM


# Modbus over Serial Line V1.02, section 6.2.2: the CRC-16 of 02 07 is 0x1241.
def test_crc16_of_the_standard():
    assert reader(r"(?s).*(?P<x>.)", checksum="crc16").read(b"\x02\x071241") == {"x": "\x07"}
    assert reader(r"(?s).*(?P<x>.)", checksum="crc16").read(b"\x02\x074112") is Reason.BAD_CHECKSUM


def test_sum():
    assert reader(checksum="sum").read(b"L=1%02x" % (sum(b"L=1") % 256)) == {"level": "1"}
    assert reader(checksum="sum").read(b"L=100") is Reason.BAD_CHECKSUM


@pytest.mark.parametrize("checksum", ["xor", "sum", "crc16"])
@given(line=st.binary(max_size=30))
def test_noise_is_never_a_crash(checksum, line):
    result = reader(checksum=checksum).read(line)
    assert result in {Reason.BAD_CHECKSUM, Reason.WRONG_REPLY} or "level" in result


@given(st.binary(min_size=4, max_size=30), st.integers(0, 7), st.data())
def test_a_flipped_bit_is_noticed(body, bit, data):
    crc16 = reader(r"(?s)(?P<all>.*)", checksum="crc16")
    register = 0xFFFF
    for byte in body:
        register ^= byte
        for _ in range(8):
            register = (register >> 1) ^ (0xA001 if register & 1 else 0)
    line = body + b"%04X" % register
    assert crc16.read(line) == {"all": body.decode("latin-1")}
    where = data.draw(st.integers(0, len(body) - 1))
    broken = bytearray(line)
    broken[where] ^= 1 << bit
    assert crc16.read(bytes(broken)) is Reason.BAD_CHECKSUM


@pytest.mark.parametrize(
    ("text", "value"), [("1.5", 1.5), (" -3 ", -3.0), (".5", 0.5), ("7.", 7.0), ("+1e2", 100.0)]
)
def test_numbers(text, value):
    assert number(text) == value


@pytest.mark.parametrize(
    "text", ["", "ERR", "nan", "-inf", "1,5", "--", "1_5", "1e999", ".", "\xa01", "1\n"]
)
def test_texts_that_are_no_numbers(text):
    assert number(text) is Reason.NOT_A_NUMBER
