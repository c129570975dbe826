import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin

from edge.field.modbus_codec import Request, decode, plan, silence_between_frames
from edge.station.reads import REGISTER_TYPES, ModbusRead
from edge.status import Reason


def point(register, type_="uint16", table="input", **more):
    return ModbusRead(table=table, register=register, type=type_, **more)


def spans(points):
    return [(r.function, r.address, r.count) for r in plan(points)]


def test_registers_side_by_side_are_one_request():
    points = {"a": point(0), "b": point(1), "c": point(2, "float32")}
    assert plan(points) == [
        Request(4, 0, 4, (("a", 0, points["a"]), ("b", 1, points["b"]), ("c", 2, points["c"])))
    ]


def test_a_gap_or_another_table_makes_another_request():
    points = {"a": point(0), "b": point(2), "c": point(3, table="holding")}
    assert spans(points) == [(3, 3, 1), (4, 0, 1), (4, 2, 1)]


def test_two_channels_may_read_one_register():
    assert spans({"a": point(5), "b": point(5), "c": point(5, "uint32")}) == [(4, 5, 2)]


# Modbus Application Protocol V1.1b3, sections 6.1 to 6.4: 2000 bits or 125 registers a request.
def test_requests_keep_to_the_limits_of_the_protocol():
    registers = {f"c{i}": point(i) for i in range(300)}
    assert [count for _, _, count in spans(registers)] == [125, 125, 50]
    coils = {f"c{i}": point(i, "bit", "coil") for i in range(2100)}
    assert spans(coils) == [(1, 0, 2000), (1, 2000, 100)]


# Modbus over Serial Line V1.02, section 2.5.1.1: 3.5 character times, 1.75 ms above 19 200 baud.
@pytest.mark.parametrize(
    ("baud", "milliseconds"), [(9600, 4.01), (19_200, 2.005), (38_400, 1.75), (115_200, 1.75)]
)
def test_silence_between_frames(baud, milliseconds):
    assert silence_between_frames(baud) * 1000 == pytest.approx(milliseconds, abs=0.005)


@given(st.dictionaries(st.integers(0, 400), st.sampled_from(["uint16", "uint32", "float64"])))
def test_every_point_is_in_exactly_one_request_and_no_register_for_nothing(layout):
    points = {f"c{register}": point(register, type_) for register, type_ in layout.items()}
    asked = set()
    seen = []
    for request in plan(points):
        span = set(range(request.address, request.address + request.count))
        asked |= span
        for channel, offset, read in request.members:
            seen.append(channel)
            assert request.address + offset == read.register_
            assert offset + read.width <= request.count
    assert sorted(seen) == sorted(points)
    assert asked == {
        register for p in points.values() for register in range(p.register_, p.register_ + p.width)
    }


# Reference library: pymodbus, which encodes all of these itself.
@pytest.mark.parametrize("word_order", ["big", "little"])
@pytest.mark.parametrize(
    ("type_", "value"),
    [
        ("int16", -12345),
        ("uint16", 54321),
        ("int32", -123456789),
        ("uint32", 4123456789),
        ("float32", 0.15625),
        ("int64", -(2**60) - 1),
        ("uint64", 2**64 - 1),
        ("float64", 3.141592653589793),
    ],
)
def test_types_and_word_orders_as_pymodbus_writes_them(type_, value, word_order):
    data_type = ModbusClientMixin.DATATYPE[type_.upper()]
    registers = ModbusClientMixin.convert_to_registers(value, data_type, word_order)
    read = point(0, type_, word_order=word_order)
    assert len(registers) == read.width == REGISTER_TYPES[type_]
    assert decode(registers, read) == value
    swapped = [struct.unpack("<H", struct.pack(">H", r))[0] for r in registers]
    assert decode(swapped, point(0, type_, word_order=word_order, byte_order="little")) == value


def test_a_coil_is_nought_or_one():
    assert decode([1], point(0, "bit", "coil")) == 1


@pytest.mark.parametrize("registers", [[0x7FC0, 0], [0x7F80, 0], [0xFF80, 0]])
def test_floats_that_are_no_number(registers):
    assert decode(registers, point(0, "float32")) is Reason.NOT_A_NUMBER
