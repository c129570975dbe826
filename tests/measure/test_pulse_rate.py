import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.measure.pulse_rate import PulseRate, Rate


def polled(hertz, poll, until, *, begun=0.0, phase=0.0, rate=None, start=0.0):
    """Poll a steady flow of pulses that begins at ``begun``."""
    rate = rate or PulseRate()
    for number in range(math.ceil(start / poll), int(until / poll) + 1):
        now = number * poll
        rate.take(now, math.floor(max(0.0, now - begun) * hertz + phase))
    return rate


def test_unknown_before_the_first_sample_and_at_it():
    rate = PulseRate()
    assert rate.rate() is None
    rate.take(0.0, 5)
    assert rate.rate() is None


def test_unknown_while_no_pulse_has_come_and_nought_after_long_enough():
    rate = PulseRate(zero_after=900.0)
    for now in (0.0, 300.0, 899.0):
        rate.take(now, 5)
        assert rate.rate() is None
    rate.take(900.0, 5)
    assert rate.rate() == Rate(0.0, 1 / 900)


def test_known_at_the_second_sample():
    rate = PulseRate()
    rate.take(100.0, 5)
    rate.take(160.0, 605)
    found = rate.rate()
    assert found.hertz == pytest.approx(10.0)
    assert found.resolution_hz == pytest.approx(1 / 60)


# The definition of the hertz: so many a second.
@pytest.mark.parametrize(
    ("hertz", "poll", "resolution"),
    [(1000.0, 60.0, 2e-5), (1.0, 60.0, 0.017), (0.2, 1.0, 0.01), (1 / 600, 60.0, 0.12)],
)
@pytest.mark.parametrize("phase", [0.0, 0.3, 0.99])
def test_a_steady_rate_is_right_within_its_resolution(hertz, poll, resolution, phase):
    found = polled(hertz, poll, 7200.0, phase=phase).rate()
    assert found.hertz == pytest.approx(hertz, abs=found.resolution_hz)
    assert 0 < found.resolution_hz <= resolution * found.hertz


def test_one_pulse_in_ten_minutes_does_not_flicker_between_polls():
    rate, seen = PulseRate(), set()
    for number in range(120):
        now = number * 60.0
        rate.take(now, int(now // 600))
        if now >= 1200:
            seen.add(round(rate.rate().hertz * 600, 9))
    assert seen == {1.0}


def test_the_span_is_as_short_as_the_resolution_allows():
    rate = polled(10.0, 10.0, 600.0)
    for number in (1, 2):  # 20 Hz from then on: in one poll 200 pulses, good for half a percent
        rate.take(600.0 + number * 10, 6000 + number * 200)
    assert rate.rate().hertz == pytest.approx(20.0)
    assert PulseRate(resolution=0.001).rate() is None


def test_a_finer_resolution_reaches_further_back():
    coarse = polled(10.0, 10.0, 600.0, rate=PulseRate(resolution=0.1))
    fine = polled(10.0, 10.0, 600.0, rate=PulseRate(resolution=0.001))
    assert coarse.rate().resolution_hz == pytest.approx(0.1)
    assert fine.rate().resolution_hz == pytest.approx(0.01)


def test_the_mean_since_the_last_record():
    rate = polled(10.0, 10.0, 600.0)
    rate.take(610.0, 6300)  # 30 Hz for one poll
    assert rate.rate(since=580.0).hertz == pytest.approx(500 / 30)
    assert rate.rate(since=600.0).hertz == pytest.approx(30.0)


def test_the_mean_since_a_record_longer_ago_than_nought_takes():
    rate = polled(1.0, 60.0, 3600.0, rate=PulseRate(zero_after=120.0))
    rate.take(3660.0, 3600 + 660)
    assert rate.rate(since=60.0).hertz == pytest.approx((3600 + 600) / 3600)


def test_when_the_flow_stops_the_rate_sinks_and_ends():
    rate = polled(1.0, 10.0, 600.0)
    assert rate.rate().hertz == pytest.approx(1.0)
    for quiet in (10.0, 100.0, 899.0):
        rate.take(600.0 + quiet, 600)
        assert rate.rate() == Rate(1 / quiet, 1 / quiet)
    rate.take(1500.0, 600)
    assert rate.rate() == Rate(0.0, 1 / 900)


@pytest.mark.parametrize("rest", [700.0, 7000.0])
def test_a_flow_that_begins_is_not_averaged_over_the_rest_before(rest):
    rate = polled(1.0, 10.0, 600.0)
    polled(0.0, 10.0, 600.0 + rest, phase=600, rate=rate, start=610.0)
    rate.take(610.0 + rest, 600 + 200)
    assert rate.rate().hertz == pytest.approx(20.0)


def test_a_single_pulse_after_a_long_rest_is_a_low_rate():
    rate = polled(1.0, 60.0, 600.0)
    polled(0.0, 60.0, 2400.0, phase=600, rate=rate, start=660.0)
    rate.take(2460.0, 601)
    found = rate.rate()
    assert found.hertz == pytest.approx(1 / 1860)
    assert found.resolution_hz == pytest.approx(found.hertz * 60 / 1800)


def test_a_first_pulse_says_only_that_there_was_one():
    rate = PulseRate()
    for now in (0.0, 60.0, 120.0, 180.0):
        rate.take(now, int(now == 180))
    assert rate.rate() == Rate(1 / 180, 1 / 180)


def test_missed_polls_do_not_matter():
    rate = PulseRate()
    for now in (0.0, 60.0, 120.0, 1000.0, 1060.0):
        rate.take(now, int(now * 5))
    assert rate.rate(since=120.0).hertz == pytest.approx(5.0)


def test_a_sample_at_the_same_moment_says_nothing():
    rate = PulseRate()
    rate.take(0.0, 0)
    rate.take(60.0, 60)
    rate.take(60.0, 90)
    rate.take(50.0, 100)
    assert rate.rate().hertz == pytest.approx(1.0)
    rate.take(120.0, 120)
    assert rate.rate().hertz == pytest.approx(1.0)


def test_memory_is_bounded_however_long_it_runs():
    rate = polled(3.0, 1.0, 50_000.0)
    assert len(rate._edges) <= 256
    assert rate.rate(since=46_400.0).hertz == pytest.approx(3.0)
    assert rate.rate().hertz == pytest.approx(3.0)


@pytest.mark.parametrize(("resolution", "zero_after"), [(0.0, 900.0), (0.01, 0.0)])
def test_numbers_that_make_no_sense(resolution, zero_after):
    with pytest.raises(ValueError, match="resolution"):
        PulseRate(resolution, zero_after)


@given(
    period=st.floats(1e-3, 500.0),
    phase=st.floats(0, 0.999),
    gaps=st.lists(st.floats(1.0, 300.0), min_size=2, max_size=60),
    look_back=st.none() | st.floats(0, 3600.0),
)
def test_the_resolution_keeps_its_promise_at_every_sample(period, phase, gaps, look_back):
    """A steady flow, polled as it may come: the true rate lies within the resolution."""
    rate, now = PulseRate(), 0.0
    for gap in gaps:
        rate.take(now, math.floor(now / period + phase))
        found = rate.rate(None if look_back is None else now - look_back)
        if found is not None:
            assert abs(found.hertz - 1 / period) <= found.resolution_hz * (1 + 1e-6)
        now += gap


def test_a_longer_span_is_not_taken_where_it_begins_less_certainly():
    rate = PulseRate(resolution=0.001)
    for now, pulses in ((0, 0), (300, 1), (339, 1), (340, 2), (399, 2), (400, 3)):
        rate.take(float(now), pulses)
    # From 300 on there are two pulses, but the first of them may be 300 s old.
    assert rate.rate() == Rate(pytest.approx(1 / 60), pytest.approx(1 / 60 / 59))
