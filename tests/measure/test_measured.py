import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.measure.conditioning import Conditioner
from edge.measure.counter import CounterRules
from edge.measure.curve import Curve
from edge.measure.filters import Mean
from edge.measure.line import Line
from edge.measure.loop import LoopScale
from edge.measure.measured import Counted, Scaled
from edge.measure.meter import KTable, Meter
from edge.measure.values import Value
from edge.status import Reason
from edge.units import UNITS


def at(seconds, number, reason=Reason.OK):
    return Value(round(seconds * 1000), 5000.0 + seconds, number, reason)


def level(conditioner=None):
    loop = LoopScale.spanning(Line(0, 1, 0, 0.001), 0.0, 10.0)
    return Scaled("level", UNITS["ft"], loop, conditioner, "Level")


def battery():
    return Scaled("battery", UNITS["V"], Line(0, 100, 0.0, 10.0))


def flow(meter=None, rules=None, **more):
    units = {"volume_unit": UNITS["m3"], "flow_unit": UNITS["m3/min"]}
    return Counted(
        "flow",
        rules or CounterRules.of_bits(16),
        meter or Meter(0.5),
        **units,
        title="Pumped",
        **more,
    )


def only(channel, value):
    (result,) = channel.compute(value)
    return result


def counted(channel, *pairs):
    """Return what every series came to last, of (seconds, counter) pairs."""
    for seconds, raw in pairs:
        values = channel.compute(at(seconds, raw))
    return [(value.number, value.reason) for value in values]


def restarted(channel, fresh):
    fresh.restore(json.loads(json.dumps(channel.state())))
    return fresh


def named(steps):
    return {step.name: step.number for step in steps}


# --- scaled numbers


def test_a_raw_number_becomes_a_value_at_its_own_instant():
    assert only(level(), at(3, 12.0)) == at(3, 5.0)
    assert [(one.name, one.unit.symbol, one.title) for one in level().series] == [
        ("level", "ft", "Level")
    ]


def test_a_failed_sample_keeps_its_reason():
    assert only(level(), at(0, None, Reason.NO_REPLY)) == at(0, None, Reason.NO_REPLY)


def test_a_failed_loop_has_no_value():
    assert only(level(), at(0, 0.0)) == at(0, None, Reason.OPEN_LOOP)


def test_of_two_doubts_the_first_stands():
    assert only(level(), at(0, 20.3, Reason.STUCK)).reason is Reason.STUCK
    assert only(level(), at(0, 20.3)).reason is Reason.SATURATED_HIGH


@pytest.mark.parametrize("raw", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_has_no_value(raw):
    assert only(level(), at(0, raw)).reason is Reason.NOT_A_NUMBER
    assert [value.reason for value in flow().compute(at(0, raw))] == [Reason.NOT_A_NUMBER] * 2
    assert level().explain(at(0, raw)) == []


@pytest.mark.parametrize("raw", [1.7e308, -1.7e308])
def test_a_number_too_large_to_mean_anything_has_no_value(raw):
    huge = Scaled("battery", UNITS["V"], Line(0, 1e-5, 0.0, 10.0))
    assert only(huge, at(0, raw)) == at(0, None, Reason.NOT_A_NUMBER)
    assert only(level(), at(0, raw)).number is None


def test_a_plain_line_scales():
    assert only(battery(), at(0, 125.0)) == at(0, 12.5)


def test_points_scale_and_cast_a_doubt_beyond_their_ends():
    probe = Scaled("probe", UNITS["m"], Curve([(0.0, 0.0), (10.0, 1.0), (20.0, 4.0)]))
    assert only(probe, at(0, 15.0)) == at(0, 2.5)
    assert only(probe, at(0, 22.0)) == at(0, pytest.approx(4.6), Reason.ABOVE_TABLE)
    assert only(probe, at(0, -1.0)) == at(0, pytest.approx(-0.1), Reason.BELOW_TABLE)


def test_filters_work_on_values_not_on_raw_numbers():
    smooth = level(Conditioner(mean=Mean(2)))
    assert only(smooth, at(0, 4.0)).number == 0.0
    assert only(smooth, at(1, 20.0)).number == 5.0
    assert only(smooth, at(2, 0.0)).reason is Reason.OPEN_LOOP
    assert only(smooth, at(3, 20.0)).number == 10.0


def test_the_steps_of_a_loop():
    assert named(level().explain(at(0, 12.0))) == {
        "raw": 12.0,
        "loop current": pytest.approx(0.012),
        "value": pytest.approx(5.0),
    }
    assert list(named(level().explain(at(0, 0.0)))) == ["raw", "loop current"]
    assert level().explain(at(0, None, Reason.NO_REPLY)) == []
    assert named(battery().explain(at(0, 125.0))) == {"raw": 125.0, "value": 12.5}


def test_a_scale_has_no_memory():
    channel = level()
    channel.restore({"tally": 1})
    assert channel.state() is None
    assert only(channel, at(0, 12.0)).number == 5.0
    assert channel.missing == 0


# --- counters


def test_total_and_rate():
    channel = flow()
    assert counted(channel, (0, 65530)) == [(0.0, Reason.OK), (None, Reason.NO_EARLIER_COUNT)]
    assert counted(channel, (10, 4)) == [(5.0, Reason.OK), (0.5, Reason.OK)]
    assert [one.name for one in channel.series] == ["flow.total", "flow.rate"]
    assert [one.title for one in channel.series] == ["Pumped, total", "Pumped, rate"]
    assert channel.missing == 0


def test_the_rate_sinks_and_is_nought_after_its_time():
    channel = flow(zero_after=100.0)
    counted(channel, (0, 0), (10, 10))
    _, (sinking, _) = counted(channel, (60, 10))
    assert sinking == pytest.approx(0.5 / 50)
    assert counted(channel, (110, 10))[1] == (0.0, Reason.OK)


def test_counting_goes_on_over_a_gap_and_a_restart():
    channel = flow()
    counted(channel, (0, 65000), (60, 65200))
    bad = channel.compute(at(120, None, Reason.NO_REPLY))
    assert [(value.number, value.reason) for value in bad] == [(None, Reason.NO_REPLY)] * 2
    channel = restarted(channel, flow())
    assert counted(channel, (180, 10)) == [
        (100.0 + 173.0, Reason.OK),
        (pytest.approx(173.0 / 120), Reason.OK),  # the mean since the count last moved
    ]
    assert channel.tally.pulses == 546


def test_a_pump_long_at_rest_is_so_still_after_a_restart():
    channel = flow(zero_after=100.0)
    counted(channel, (0, 0), (10, 10), (200, 10))
    assert counted(restarted(channel, flow(zero_after=100.0)), (260, 10))[1] == (0.0, Reason.OK)


def test_a_clock_set_back_over_a_restart_leaves_the_first_rate_unknown():
    channel = flow()
    counted(channel, (100, 0), (110, 10))
    channel = restarted(channel, flow())
    assert counted(channel, (50, 20)) == [(10.0, Reason.OK), (None, Reason.NO_EARLIER_COUNT)]
    assert counted(channel, (60, 40))[1] == (pytest.approx(1.0), Reason.OK)


def test_a_changed_factor_leaves_the_total_standing():
    channel = flow(Meter(0.5))
    counted(channel, (0, 0), (10, 100))
    channel = restarted(channel, flow(Meter(2.0)))
    assert counted(channel, (20, 100))[0] == (50.0, Reason.OK)
    assert counted(channel, (30, 101))[0] == (52.0, Reason.OK)


def test_a_tally_alone_is_a_state_too():
    channel = flow()
    channel.restore({"tally": {"pulses": 100, "raw": 65535}})
    assert counted(channel, (0, 1))[0] == (51.0, Reason.OK)
    assert channel.tally.pulses == 102


def test_a_tally_alone_is_measured_by_a_table_at_standstill():
    channel = flow(KTable([(0.5, 2.0), (2.0, 2.5)]))
    channel.restore({"tally": {"pulses": 100, "raw": 50}})
    assert counted(channel, (0, 50))[0] == (50.0, Reason.OK)


def test_before_the_first_count_there_is_nothing_to_remember_or_explain():
    channel = flow()
    channel.compute(at(0, None, Reason.NO_REPLY))
    assert channel.state() is None
    assert channel.explain(at(0, 7.0)) == []


def test_a_counter_reset_is_told_and_counts_what_was_made_since():
    channel = flow(rules=CounterRules.of_bits(16, greatest_rate=10.0))
    counted(channel, (0, 20_000), (10, 20_010))
    (total, reason), (_, of_rate) = counted(channel, (20, 3))
    assert (total, reason, of_rate) == (6.5, Reason.COUNTER_RESET, Reason.COUNTER_RESET)
    assert counted(channel, (30, 13))[0] == (11.5, Reason.OK)


def test_the_reach_of_a_count_goes_by_the_time_that_passed():
    rules = CounterRules.of_bits(16, greatest_rate=1.0)
    assert counted(flow(rules=rules), (0, 0), (60, 62))[0] == (31.0, Reason.OK)
    assert counted(flow(rules=rules), (0, 0), (60, 63))[0] == (0.0, Reason.IMPLAUSIBLE_JUMP)
    # Over a restart there is only the clock on the wall, which may have stood still meanwhile:
    # half a turn is believed however little time it tells ...
    channel = flow(rules=rules)
    counted(channel, (60, 0))
    assert counted(restarted(channel, flow(rules=rules)), (120, 30_000))[0] == (
        15_000.0,
        Reason.OK,
    )
    too_far = counted(restarted(channel, flow(rules=rules)), (120, 40_000))
    assert too_far[0] == (0.0, Reason.IMPLAUSIBLE_JUMP)
    # ... and more when it tells of a long time.
    long_after = counted(restarted(channel, flow(rules=rules)), (50_060, 40_000))
    assert long_after[0] == (20_000.0, Reason.OK)
    # Of a tally of the journal's first layout no time is known at all.
    channel = flow(rules=rules)
    channel.restore({"tally": {"pulses": 0, "raw": 0}})
    assert counted(channel, (1, 30_000))[0] == (15_000.0, Reason.OK)


@pytest.mark.parametrize("raw", [65536.0, -1.0, 1.5])
def test_a_count_the_counter_cannot_show_is_refused(raw):
    channel = flow()
    counted(channel, (0, 5))
    assert counted(channel, (1, raw)) == [(None, Reason.NOT_A_NUMBER)] * 2
    assert (channel.tally.pulses, channel.tally.baseline.raw) == (0, 5)


def test_a_table_says_where_it_does_not_reach():
    channel = flow(KTable([(0.5, 2.0), (2.0, 2.5)]))
    counted(channel, (0, 0))
    (total, of_total), (rate, of_rate) = counted(channel, (10, 100))
    assert (total, of_total) == (pytest.approx(40.0), Reason.ABOVE_TABLE)
    assert (rate, of_rate) == (pytest.approx(4.0), Reason.ABOVE_TABLE)


def test_the_register_keeps_step():
    channel = flow(aligned=(51_234.5, 10.0))
    assert channel.series[2].name == "flow.register"
    counted(channel, (0, 0), (10, 20))
    assert counted(channel, (20, 26))[2] == (51_237.5, Reason.OK)
    bad = channel.compute(at(30, None, Reason.SILENT))
    assert [value.reason for value in bad] == [Reason.SILENT] * 3


def test_the_steps_of_a_counter():
    channel = flow()
    counted(channel, (0, 65530))
    assert named(channel.explain(at(0, 65530.0))) == {
        "counter": 65530.0,
        "pulses": 0.0,
        "total": 0.0,
    }
    counted(channel, (10, 4))
    assert named(channel.explain(at(10, 4.0))) == {
        "counter": 4.0,
        "pulses": 10.0,
        "total": 5.0,
        "pulse rate": 1.0,
        "rate": 0.5,
        "rate known to within": pytest.approx(0.05),
    }
    assert channel.explain(at(20, None, Reason.NO_REPLY)) == []


@given(
    steps=st.lists(
        st.tuples(st.integers(0, 200), st.sampled_from(["read", "bad", "restart", "factor"])),
        max_size=50,
    )
)
def test_a_total_is_every_pulse_by_the_factor_of_its_day(steps):
    """Whatever rolls over, fails, restarts; and it never goes backwards."""
    rules, meter = CounterRules.of_bits(8 + 1), Meter(0.25)
    channel = flow(meter, rules)
    counted(channel, (0, 500))
    raw, expected, unmeasured, before = 500, 0.0, 0, 0.0
    for second, (most, event) in enumerate(steps, 1):
        # Half a turn unread is not to be told from one backwards.
        pulses = min(most, 255 - unmeasured)
        raw, unmeasured = (raw + pulses) % 512, unmeasured + pulses
        if event == "bad":
            channel.compute(at(second, None, Reason.NO_REPLY))
            continue
        if event == "restart":
            channel = restarted(channel, flow(meter, rules))
        if event == "factor":
            meter = Meter(3.0 if meter.volume_per_pulse == 0.25 else 0.25)
            channel = restarted(channel, flow(meter, rules))
        expected += unmeasured * meter.volume_per_pulse
        unmeasured = 0
        (total, reason), _ = counted(channel, (second, raw))
        assert (total, reason) == (expected, Reason.OK)
        assert total >= before
        before = total


# --- pulses made while the station was down


def after(seconds, raw, *, timed=True, before=((0, 100), (60, 110)), meter=None, **more):
    """Return a channel read again so many seconds after the start, by another run."""
    channel = flow(meter, **more)
    counted(channel, *before)
    channel = restarted(channel, flow(meter, **more))
    value = at(seconds, raw)
    return channel, channel.compute(Value(value.utc_ms, 9.0, raw, timed=timed))


def test_the_total_that_first_includes_them_says_so():
    channel, (total, rate) = after(3660, 710, sample_s=60.0)
    assert (total.number, total.reason) == (305.0, Reason.COUNTED_WHILE_DOWN)
    assert (rate.number, rate.reason) == (pytest.approx(600 / 3600 * 0.5), Reason.OK)
    (total, _) = channel.compute(Value(3_720_000, 69.0, 720))
    assert (total.number, total.reason) == (310.0, Reason.OK)


@pytest.mark.parametrize(
    ("seconds", "raw", "timed", "reason"),
    [
        (180, 120, True, Reason.OK),  # two sampling intervals are no outage
        (181, 120, True, Reason.COUNTED_WHILE_DOWN),
        (3660, 110, True, Reason.OK),  # nothing was made
        (65, 120, False, Reason.COUNTED_WHILE_DOWN),  # nobody knows how long it was
        (30, 120, True, Reason.COUNTED_WHILE_DOWN),  # nor where the clock ran backwards
    ],
)
def test_what_is_an_outage(seconds, raw, timed, reason):
    _, (total, _) = after(seconds, raw, timed=timed, sample_s=60.0)
    assert total.reason is reason


def test_whoever_has_no_sampling_interval_has_no_outages():
    _, (total, _) = after(3660, 710)
    assert total.reason is Reason.OK


def test_the_register_says_so_too_but_a_worse_doubt_comes_first():
    _, (total, _, register) = after(3660, 710, sample_s=60.0, aligned=(1000.0, 0.0))
    assert total.reason is register.reason is Reason.COUNTED_WHILE_DOWN
    rules = CounterRules.of_bits(16, 0.01)
    _, (total, _) = after(3660, 5, sample_s=60.0, rules=rules, before=((0, 30_000), (60, 30_000)))
    assert (total.number, total.reason) == (2.5, Reason.COUNTER_RESET)


def test_a_table_says_so_when_it_knows_at_what_rate_they_came():
    table = KTable([(0.1, 2.0), (100.0, 2.0)])
    channel, (total, rate) = after(3660, 710, timed=False, meter=table, sample_s=60.0)
    assert (total.number, total.reason) == (5.0, Reason.OK)
    assert rate.reason is Reason.NO_EARLIER_COUNT
    (total, _) = channel.compute(Value(3_720_000, 69.0, 720))
    assert (total.number, total.reason) == (310.0, Reason.COUNTED_WHILE_DOWN)


# --- the first rate of a run


def test_the_first_rate_is_the_mean_over_the_time_nobody_read():
    """Not over the rest before, which the earlier run had seen the pump take."""
    at_rest = tuple((60 * minute, 110) for minute in range(2, 8))
    _, (_, rate) = after(600, 300, before=((0, 100), (60, 110), *at_rest))
    assert rate.number == pytest.approx(190 / 180 * 0.5)


def test_a_provisional_time_leaves_the_first_rate_unknown_and_no_trace():
    channel, (_, rate) = after(61, 710, timed=False)
    assert rate.reason is Reason.NO_EARLIER_COUNT
    assert channel.state()["moved"] is None
    assert channel.state()["tally"]["utc_ms"] == 0
    # The run after next knows no better, although it knows the time.
    again = restarted(channel, flow())
    assert again.compute(at(7200, 720))[1].reason is Reason.NO_EARLIER_COUNT
    assert again.state()["moved"] == [7_200_000, 620]


def test_a_clock_that_lags_behind_makes_no_rate_the_meter_cannot():
    rules = CounterRules.of_bits(16, 10.0)
    _, (total, rate) = after(70, 710, rules=rules)
    assert (total.number, rate.reason) == (305.0, Reason.NO_EARLIER_COUNT)


def test_when_the_count_last_moved_is_remembered_in_true_time():
    """It moved while the time was not known; when the state was made, it was."""
    channel = flow()
    for seconds, raw in ((0.0, 100), (60.0, 110), (120.0, 110)):
        channel.compute(Value(5_000_000 + round(seconds * 1000), seconds, raw, timed=False))
    channel.compute(Value(9_000_000, 180.0, 110))
    assert channel.state()["moved"] == [9_000_000 - 120_000, 10]
