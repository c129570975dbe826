import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.measure.pulses import Meter, Tally


def test_counting_on():
    assert Tally(10, 100).advance(130, 16) == Tally(40, 130)


@pytest.mark.parametrize("bits", [16, 32, 64])
def test_rollover(bits):
    assert Tally(0, (1 << bits) - 3).advance(2, bits) == Tally(5, 2)


@pytest.mark.parametrize(("bits", "before", "after"), [(32, 1000, 5), (16, 20_000, 7_000)])
def test_a_counter_that_went_backwards_adds_nothing(bits, before, after):
    assert Tally(77, before).went_backwards(after, bits)
    assert Tally(77, before).advance(after, bits) == Tally(77, after)


def test_the_largest_step_that_is_believed():
    assert Tally(0, 0).advance(0x7FFF, 16).pulses == 0x7FFF
    assert Tally(0, 0).advance(0x8000, 16).pulses == 0


def test_an_impossible_count_is_refused():
    with pytest.raises(ValueError, match="16-bit counter cannot stand at 65536"):
        Tally(0, 0).advance(65536, 16)
    with pytest.raises(ValueError, match="cannot stand at -1"):
        Tally(0, 0).advance(-1, 16)


@given(
    bits=st.sampled_from([8, 16, 32]),
    start=st.integers(0, 2**32 - 1),
    steps=st.lists(st.integers(0, 127), max_size=60),
)
def test_no_pulse_is_lost_or_invented_whatever_rolls_over(bits, start, steps):
    mask = (1 << bits) - 1
    counter = start & mask
    tally = Tally(0, counter)
    for step in steps:
        counter = (counter + step) & mask
        tally = tally.advance(counter, bits)
    assert tally.pulses == sum(steps)


# NIST SP 811: 1 US gal = 3.785411784 L.
def test_k_factor():
    meter = Meter.from_k_factor(98.4 / 3.785411784e-3)
    assert meter.volume(984) == pytest.approx(10 * 3.785411784e-3, rel=1e-12)
    assert meter.pulses(meter.volume(123_456_789)) == 123_456_789
    assert meter.rate(984, 60) == pytest.approx(3.785411784e-2 / 60, rel=1e-12)


@given(st.floats(1.0, 1e6), st.integers(0, 10**12))
def test_a_total_tells_its_pulses(pulses_per_m3, pulses):
    meter = Meter.from_k_factor(pulses_per_m3)
    assert meter.pulses(meter.volume(pulses)) == pulses
