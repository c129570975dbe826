"""What channels carry over a restart, and from one sample to the next."""

import json

import pytest

from edge.measure.conditioning import Conditioner
from edge.measure.counter import CounterRules
from edge.measure.filters import Mean
from edge.measure.levels import Drawdown
from edge.measure.measured import Counted
from edge.measure.meter import KTable, Meter
from edge.measure.values import Value
from edge.readings import Sample, Series
from edge.station.loader import load
from edge.status import Reason
from edge.units import UNITS
from tests.stations import MARCH, WELL


def flow(meter=None, bits=32, greatest=50.0):
    return Counted(
        "flow",
        CounterRules.of_bits(bits, greatest),
        meter or Meter(0.5),
        volume_unit=UNITS["m3"],
        flow_unit=UNITS["m3/min"],
    )


def at(seconds, raw, boot=0.0):
    return Value(MARCH + seconds * 1000, seconds - boot, raw)


def restarted(channel, **like):
    again = flow(**like)
    again.restore(json.loads(json.dumps(channel.state())))
    return again


def test_pulses_of_a_power_cut_count_although_the_clock_lags():
    channel = flow()
    channel.compute(at(0, 1000.0))
    channel.compute(at(60, 2000.0))
    again = restarted(channel)
    # Six hours off; the clock, without a battery, says half a minute.
    total, _ = again.compute(at(90, 502_000.0, boot=80.0))
    assert (total.number, total.reason) == (501_000 * 0.5, Reason.OK)


def test_a_narrow_counter_unread_for_long_is_in_doubt():
    channel = flow(bits=16)
    channel.compute(at(0, 1000.0))
    total, _ = restarted(channel, bits=16).compute(at(7200, 2000.0, boot=7000.0))
    assert (total.number, total.reason) == (500.0, Reason.MANY_ROLLOVERS)


def test_a_pump_long_at_rest_is_at_rest_after_a_restart():
    channel = flow()
    channel.compute(at(0, 1000.0))
    for minute in range(1, 61):
        channel.compute(at(60 * minute, 1010.0))
    _, rate = restarted(channel).compute(at(61 * 60, 1010.0, boot=3600.0))
    assert (rate.number, rate.reason) == (0.0, Reason.OK)


def test_the_flow_over_a_restart_is_the_mean_over_it():
    channel = flow()
    channel.compute(at(0, 1000.0))
    channel.compute(at(60, 1600.0))
    _, rate = restarted(channel).compute(at(360, 4600.0, boot=350.0))
    assert rate.number == pytest.approx(10 * 0.5)


def test_a_bare_tally_of_the_first_layout_goes_on_with_its_total():
    for meter, volume in ((Meter(0.5), 50.0), (KTable([(1.0, 2.0), (10.0, 4.0)]), 50.0)):
        channel = flow(meter)
        channel.restore({"tally": {"pulses": 100, "raw": 7}})
        total, _ = channel.compute(at(0, 7.0))
        assert total.number == volume


def test_a_channel_that_was_of_another_kind_begins_anew():
    room = load(WELL).room()
    states = {
        "flow": {"channel": {"total": 1.0}, "kind": "FlowTotal"},
        "pump": {"channel": {"tally": {"pulses": 1, "raw": 1}}},
        "level": {},
    }
    assert sorted(room.restore(states)) == ["flow", "pump"]
    assert room.states() == load(WELL).room().states()


def test_a_mean_is_in_doubt_for_as_long_as_what_was_in_doubt_is_in_it():
    conditioner = Conditioner(mean=Mean(2))
    doubtful = Value(0, 0.0, 99.0, Reason.OVER_RANGE)
    reasons = [conditioner.take(doubtful).reason]
    reasons += [conditioner.take(Value(0, float(n), 14.0)).reason for n in (1, 2)]
    assert reasons == [Reason.OVER_RANGE, Reason.OVER_RANGE, Reason.OK]


def test_the_level_at_rest_is_learnt_from_what_is_beyond_doubt():
    drawdown = Drawdown(Series("drawdown", UNITS["m"]), ("depth", "pump"), None)
    off = Value(0, 0.0, 0.0)
    drawdown.compute(Value(0, 0.0, 20.0), off)
    drawdown.compute(Value(0, 0.0, 5.0, Reason.UNDER_RANGE), off)
    (found,) = drawdown.compute(Value(0, 0.0, 21.0), Value(0, 0.0, 1.0))
    assert found.number == pytest.approx(1.0)


def test_the_kinds_that_stand_in_journals_never_change():
    room = load(WELL).room()
    for number in range(2):
        room.take(
            [
                (Sample("level", MARCH, float(number), 30_000.0), True),
                (Sample("flow", MARCH, float(number), 100.0 * number), True),
            ]
        )
    kinds = {name: state["kind"] for name, state in room.states().items()}
    assert kinds == {"flow": "Counted", "pump": "PumpRuns"}
