import math

import pytest

from edge.measure.line import Line
from edge.measure.loop import LoopScale
from edge.measure.pipeline import PulsePipeline, ScaledPipeline
from edge.measure.pulses import Meter, Tally
from edge.readings import Reading, Sample
from edge.status import Reason
from edge.units import UNITS


def sample(raw, at=0, reason=Reason.OK):
    return Sample("c", at * 1000, float(at), raw, reason)


def level():
    loop = LoopScale.spanning(Line(0, 1, 0, 0.001), 0.0, 10.0)
    return ScaledPipeline("level", UNITS["ft"], loop, "Level")


def flow(bits=16):
    return PulsePipeline(
        "flow", Meter(0.5), bits=bits, volume_unit=UNITS["m3"], flow_unit=UNITS["m3/min"]
    )


def test_a_due_sample_becomes_a_reading():
    assert level().take(sample(12.0, at=3), due=True) == [Reading("level", 3000, 5.0)]


def test_a_sample_that_is_not_due_becomes_none():
    assert level().take(sample(12.0), due=False) == []


def test_a_change_of_status_is_recorded_at_once():
    pipeline = level()
    pipeline.take(sample(12.0), due=True)
    broken = pipeline.take(sample(0.0, at=1), due=False)
    assert broken == [Reading("level", 1000, None, Reason.OPEN_LOOP)]
    assert pipeline.take(sample(0.0, at=2), due=False) == []
    assert pipeline.take(sample(12.0, at=3), due=False) == [Reading("level", 3000, 5.0)]


def test_a_failed_sample_keeps_its_reason():
    failed = sample(None, reason=Reason.NO_REPLY)
    assert level().take(failed, due=True) == [Reading("level", 0, None, Reason.NO_REPLY)]
    assert [r.reason for r in flow().take(failed, due=True)] == [Reason.NO_REPLY] * 2


@pytest.mark.parametrize("raw", [math.nan, math.inf])
def test_what_is_no_number_has_no_value(raw):
    assert level().take(sample(raw), due=True)[0].reason is Reason.NOT_A_NUMBER
    assert flow().take(sample(raw), due=True)[0].reason is Reason.NOT_A_NUMBER


def test_a_plain_line_scales():
    pipeline = ScaledPipeline("battery", UNITS["V"], Line(0, 100, 0.0, 10.0))
    assert pipeline.take(sample(125), due=True) == [Reading("battery", 0, 12.5)]
    assert [step.name for step in pipeline.explain(125)] == ["raw", "value"]


def test_total_and_rate():
    pipeline = flow()
    first = pipeline.take(sample(65530), due=True)
    assert first == [
        Reading("flow.total", 0, 0.0),
        Reading("flow.rate", 0, None, Reason.NO_EARLIER_COUNT),
    ]
    second = pipeline.take(sample(4, at=10), due=True)
    assert second == [Reading("flow.total", 10_000, 5.0), Reading("flow.rate", 10_000, 0.5)]


def test_the_rate_is_the_mean_since_the_last_record():
    pipeline = flow()
    pipeline.take(sample(0), due=True)
    pipeline.take(sample(10, at=10), due=False)
    rate = pipeline.take(sample(20, at=40), due=True)[1]
    assert rate.value == pytest.approx(0.25)


def test_counting_goes_on_after_a_restart_and_over_a_gap():
    pipeline = flow()
    pipeline.restore(Tally(100, 65535))
    pipeline.take(sample(None, reason=Reason.NO_REPLY), due=True)
    total = pipeline.take(sample(1, at=60), due=True)[0]
    assert total.value == 51.0
    assert pipeline.tally == Tally(102, 1)


def test_a_counter_reset_is_told_and_counts_nothing():
    pipeline = flow()
    pipeline.take(sample(20_000), due=True)
    total, rate = pipeline.take(sample(3, at=10), due=True)
    assert (total.value, total.reason) == (0.0, Reason.COUNTER_RESET)
    assert (rate.value, rate.reason) == (0.0, Reason.COUNTER_RESET)
    total, rate = pipeline.take(sample(13, at=20), due=True)
    assert (total.value, total.reason) == (5.0, Reason.OK)
    assert rate.value == 0.5


@pytest.mark.parametrize("raw", [9e305, -1.7e308, 1e300])
def test_a_number_too_large_to_mean_anything_has_no_value(raw):
    pipeline = ScaledPipeline("battery", UNITS["V"], Line(0, 1e-5, 0.0, 10.0))
    assert pipeline.take(sample(1.7e308), due=True)[0].reason is Reason.NOT_A_NUMBER
    assert level().take(sample(raw), due=True)[0].value is None


@pytest.mark.parametrize("raw", [65536, -1, 1.5])
def test_a_count_the_counter_cannot_show_is_refused(raw):
    pipeline = flow()
    pipeline.take(sample(5), due=True)
    assert pipeline.take(sample(raw, at=1), due=True)[0].reason is Reason.NOT_A_NUMBER
    assert pipeline.tally == Tally(0, 5)


def test_the_steps_of_a_loop():
    steps = level().explain(12.0)
    assert [(step.name, step.value) for step in steps] == [
        ("raw", 12.0),
        ("loop", pytest.approx(0.012)),
        ("value", pytest.approx(5.0)),
    ]
    assert [step.name for step in level().explain(0.0)] == ["raw", "loop"]


def test_the_steps_of_a_counter():
    pipeline = flow()
    assert [step.name for step in pipeline.explain(7)] == ["counter"]
    pipeline.take(sample(7), due=True)
    assert [step.name for step in pipeline.explain(7)] == ["counter", "pulses", "total"]


def test_a_scale_has_no_memory():
    pipeline = level()
    pipeline.restore(Tally(1, 1))
    assert pipeline.tally is None
