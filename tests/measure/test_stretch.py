"""Sampling that is stretched to spare the battery is no gap, and makes no input too old."""

from edge.measure.conditioning import Conditioner
from edge.measure.line import Line
from edge.measure.measured import Scaled
from edge.measure.room import Room
from edge.measure.spans import Spans
from edge.measure.sums import Sum
from edge.measure.values import Value
from edge.measure.watch import StuckSignal
from edge.readings import Sample, Series
from edge.status import Reason
from edge.units import UNITS
from tests.well_room import channel, plain

NOON = 1_772_391_600_000


def at(seconds):
    return Value(NOON + round(seconds * 1000), seconds, 1.0)


def test_a_stretched_span_is_bridged_and_a_longer_one_is_a_gap():
    spans = Spans(30.0)
    spans.take_good(at(0))
    spans.stretch(4)
    assert spans.take_good(at(40)) == 40
    assert spans.take_good(at(161)) is None
    assert (spans.gaps, spans.missing) == (1, 121)


def test_the_span_under_way_when_the_pace_quickens_is_judged_by_the_slower_one():
    spans = Spans(30.0)
    spans.stretch(4)
    spans.take_good(at(0))
    spans.stretch(1)
    assert spans.take_good(at(50)) == 50
    assert spans.take_good(at(100)) is None


def test_a_quiet_level_that_is_sampled_less_often_is_not_stuck_for_that():
    conditioner = Conditioner(stuck=StuckSignal(1800.0))
    level = Scaled("level", UNITS["m"], Line(0.0, 1.0, 0.0, 1.0), conditioner)
    room = Room([channel(level, sample_s=300.0)])

    def take(seconds):
        (reading,) = room.take([(Sample("level", at(seconds).utc_ms, seconds, 7.0), True)]).readings
        return reading.reason

    assert [take(0), take(1800), take(2100)] == [Reason.OK, Reason.OK, Reason.STUCK]
    room.stretch(12)
    assert [take(3600 * hour) for hour in range(1, 8)] == [Reason.OK] * 7
    assert take(3600 * 8) is Reason.STUCK


def test_a_companion_is_believed_for_as_many_stretched_intervals():
    added = Sum(Series("sum", UNITS["m"]), ["lead", "slow"], [1, 1])
    room = Room([channel(one, sample_s=10.0) for one in (plain("lead"), plain("slow"), added)])

    def take(seconds, *channels):
        samples = [Sample(c, NOON + round(seconds * 1000), seconds, 1.0) for c in channels]
        return {r.series: r for r in room.take([(one, True) for one in samples]).readings}

    take(0, "slow", "lead")
    assert take(31, "lead")["sum"].reason is Reason.INPUT_TOO_OLD
    room.stretch(4)
    take(40, "slow")
    assert take(159, "lead")["sum"].reason is Reason.OK
    assert take(161, "lead")["sum"].reason is Reason.INPUT_TOO_OLD
    take(200, "slow")
    room.stretch(1)
    assert take(250, "lead")["sum"].reason is Reason.OK
    take(260, "slow")
    assert take(291, "lead")["sum"].reason is Reason.INPUT_TOO_OLD
