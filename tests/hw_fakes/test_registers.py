import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin

from hw_fakes.registers import encode, limits

TYPES = {
    "int16": st.integers(-(2**15), 2**15 - 1),
    "uint16": st.integers(0, 2**16 - 1),
    "int32": st.integers(-(2**31), 2**31 - 1),
    "uint32": st.integers(0, 2**32 - 1),
    "int64": st.integers(-(2**63), 2**63 - 1),
    "uint64": st.integers(0, 2**64 - 1),
    "float32": st.floats(width=32, allow_nan=False, allow_infinity=False),
    "float64": st.floats(allow_nan=False, allow_infinity=False),
}
ANY_NUMBER = st.sampled_from(sorted(TYPES)).flatmap(
    lambda type_: st.tuples(st.just(type_), TYPES[type_])
)


# Reference: pymodbus' own conversion of registers.
@given(ANY_NUMBER, st.sampled_from(["big", "little"]))
def test_pymodbus_reads_the_same_number(type_and_value, word_order):
    type_, value = type_and_value
    registers = encode(value, type_, word_order=word_order)
    data_type = ModbusClientMixin.DATATYPE[type_.upper()]
    back = ModbusClientMixin.convert_from_registers(registers, data_type, word_order=word_order)
    assert back == value


@given(ANY_NUMBER, st.sampled_from(["big", "little"]))
def test_a_little_byte_order_swaps_the_bytes_of_each_register(type_and_value, word_order):
    type_, value = type_and_value
    straight = encode(value, type_, word_order=word_order)
    swapped = encode(value, type_, word_order=word_order, byte_order="little")
    assert [int.from_bytes(r.to_bytes(2, "big"), "little") for r in swapped] == straight


@pytest.mark.parametrize(
    ("orders", "registers"),
    [
        (("big", "big"), [0x1234, 0x5678]),
        (("little", "big"), [0x5678, 0x1234]),
        (("big", "little"), [0x3412, 0x7856]),
        (("little", "little"), [0x7856, 0x3412]),
    ],
)
def test_the_four_orders_of_a_long_number(orders, registers):
    word_order, byte_order = orders
    assert encode(0x12345678, "uint32", word_order=word_order, byte_order=byte_order) == registers


def test_whole_types_round():
    assert encode(41.7, "uint16") == [42]


@pytest.mark.parametrize("type_", [t for t in TYPES if not t.startswith("float")])
def test_limits_fit_and_nothing_beyond_them_does(type_):
    low, high = limits(type_)
    encode(low, type_)
    encode(high, type_)
    for beyond in (low - 1, high + 1):
        with pytest.raises(ValueError, match="does not fit"):
            encode(beyond, type_)


def test_a_bit_is_nought_or_one():
    assert limits("bit") == (0, 1)


def test_a_float32_cannot_hold_everything():
    with pytest.raises(ValueError, match="does not fit"):
        encode(math.nextafter(3.5e38, math.inf), "float32")
