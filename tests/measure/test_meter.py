import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.measure.meter import KTable, Meter, VolumeTotal, dial
from edge.status import Reason

GALLON = 3.785411784e-3  # NIST SP 811, appendix B
TABLE = [(10.0, 2000.0), (50.0, 2100.0), (100.0, 2050.0)]


def restarted(total, meter):
    """Return a total that goes on from a saved one, perhaps with another meter."""
    fresh = VolumeTotal(meter)
    fresh.restore(json.loads(json.dumps(total.state())))
    return fresh


# --- meters


def test_a_constant_meter():
    meter = Meter.from_k_factor(98.4 / GALLON)
    assert meter.volume(984) == pytest.approx(10 * GALLON, rel=1e-12)
    assert meter.flow(16.4) == (pytest.approx(10 * GALLON / 60, rel=1e-12), Reason.OK)
    assert meter.pulse_volume(0.0) == (meter.constant, Reason.OK)
    assert meter.constant == meter.volume_per_pulse


@pytest.mark.parametrize("number", [0.0, -1.0, float("inf"), float("nan")])
def test_a_meter_of_a_factor_that_makes_no_sense(number):
    with pytest.raises(ValueError, match=r"volume per pulse|K-factor"):
        Meter(number)
    with pytest.raises(ValueError, match="K-factor"):
        Meter.from_k_factor(number)


@pytest.mark.parametrize(
    ("hertz", "k_factor", "reason"),
    [
        (0.0, 2000.0, Reason.OK),
        (9.9, 2000.0, Reason.BELOW_TABLE),
        (10.0, 2000.0, Reason.OK),
        (30.0, 2050.0, Reason.OK),
        (75.0, 2075.0, Reason.OK),
        (100.0, 2050.0, Reason.OK),
        (101.0, 2050.0, Reason.ABOVE_TABLE),
    ],
)
def test_a_table_of_k_factors(hertz, k_factor, reason):
    meter = KTable(TABLE)
    assert meter.k_factor(hertz) == pytest.approx(k_factor)
    assert meter.flow(hertz) == (pytest.approx(hertz / k_factor), reason)
    assert meter.pulse_volume(hertz) == (pytest.approx(1 / k_factor), reason)
    assert meter.constant is None


@pytest.mark.parametrize(
    ("points", "offending"),
    [
        ([(10.0, 2000.0)], 0),
        ([(-1.0, 2000.0), (10.0, 2000.0)], 0),
        ([(10.0, 2000.0), (10.0, 2100.0)], 1),
        ([(10.0, 2000.0), (20.0, 0.0)], 1),
        ([(10.0, 2000.0), (float("inf"), 2000.0)], 1),
    ],
)
def test_a_table_that_makes_no_sense_says_which_point(points, offending):
    with pytest.raises(ValueError) as error:  # noqa: PT011 - the index is what counts
        KTable(points)
    assert error.value.args[1] == offending


# --- totals


def test_a_total_begins_at_nought():
    total = VolumeTotal(Meter(0.5))
    assert total.volume == 0.0
    assert total.take(1000, None) == (0.0, Reason.OK)
    assert total.take(1003, 0.1) == (1.5, Reason.OK)


def test_no_rounding_piles_up_with_a_constant_factor():
    total = VolumeTotal(Meter(0.1))
    for pulses in range(0, 1_000_001, 7):
        total.take(pulses, 1.0)
    assert total.take(1_000_000, 1.0)[0] == 1_000_000 * 0.1


def test_a_change_of_the_factor_leaves_standing_what_was_measured():
    total = VolumeTotal(Meter(0.5))
    total.take(0, 1.0)
    total.take(100, 1.0)
    total = restarted(total, Meter(2.0))
    assert total.volume == 50.0
    assert total.take(100, 1.0) == (50.0, Reason.OK)
    assert total.take(110, 1.0) == (70.0, Reason.OK)


def test_pulses_over_a_restart_are_measured():
    total = VolumeTotal(Meter(0.5))
    total.take(0, 1.0)
    total.take(100, 1.0)
    assert restarted(total, Meter(0.5)).take(150, None) == (75.0, Reason.OK)


def test_a_restart_before_the_first_count():
    total = restarted(VolumeTotal(Meter(0.5)), Meter(2.0))
    total.take(40, 1.0)
    assert total.take(41, 1.0) == (2.0, Reason.OK)


def test_a_table_takes_every_step_at_its_rate():
    total = VolumeTotal(KTable(TABLE))
    total.take(0, None)
    assert total.take(2000, 10.0) == (pytest.approx(1.0), Reason.OK)
    assert total.take(4100, 50.0) == (pytest.approx(2.0), Reason.OK)
    assert total.take(6150, 120.0) == (pytest.approx(3.0), Reason.ABOVE_TABLE)
    assert total.take(6150, 5.0) == (pytest.approx(3.0), Reason.OK)  # nothing flowed
    assert total.take(6151, 5.0) == (pytest.approx(3.0005), Reason.BELOW_TABLE)


def test_a_table_waits_for_a_rate_and_makes_up_for_it():
    total = VolumeTotal(KTable(TABLE))
    total.take(0, None)
    total.take(2000, 10.0)
    total = restarted(total, KTable(TABLE))
    assert total.take(4000, None) == (pytest.approx(1.0), Reason.OK)
    total = restarted(total, KTable(TABLE))
    assert total.take(6100, 50.0) == (pytest.approx(1.0 + 4100 / 2100), Reason.OK)


def test_from_a_table_to_a_constant_factor_and_back():
    total = VolumeTotal(KTable(TABLE))
    total.take(0, None)
    total.take(2000, 10.0)
    total = restarted(total, Meter(0.5))
    assert total.take(2004, 10.0)[0] == pytest.approx(3.0)
    total = restarted(total, KTable(TABLE))
    assert total.take(4004, 10.0)[0] == pytest.approx(4.0)


@pytest.mark.parametrize("meter", [Meter(0.5), KTable(TABLE)])
def test_a_count_that_began_anew_adds_nothing(meter):
    total = VolumeTotal(meter)
    total.take(0, 10.0)
    before, _ = total.take(2000, 10.0)
    assert total.take(3, 10.0)[0] == before
    assert total.take(2003, 10.0)[0] == pytest.approx(2 * before)


@given(
    st.lists(
        st.tuples(
            st.integers(-50, 10**6),
            st.none() | st.floats(0, 1e4),
            st.sampled_from([None, Meter(0.1), Meter(3.3), KTable(TABLE)]),
        ),
        max_size=60,
    )
)
def test_a_total_never_goes_backwards(steps):
    total, pulses, before = VolumeTotal(Meter(0.1)), 0, 0.0
    for step, hertz, another in steps:
        if another is not None:
            total = restarted(total, another)
            assert total.volume >= before
        pulses = max(0, pulses + step)
        volume, _ = total.take(pulses, hertz)
        assert volume >= before
        before = volume


def test_a_register_keeps_step_with_the_total():
    assert dial(17.25, reading=51234.5, at_total=17.25) == 51234.5
    assert dial(20.0, reading=51234.5, at_total=17.25) == 51237.25
    assert dial(10.0, reading=5.0, at_total=0.0) == 15.0


def test_a_bare_count_is_measured_with_the_factor_of_now():
    total = VolumeTotal(Meter(0.5))
    total.restore_pulses(100)
    assert total.take(104, 1.0) == (52.0, Reason.OK)
