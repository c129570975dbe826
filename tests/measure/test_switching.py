import json
import math

import pytest

from edge.measure.switching import RunLog, Threshold
from edge.measure.values import Value
from edge.status import Reason

CURRENT = Threshold(on_above=2.0, off_below=1.0)


def at(seconds, number, reason=Reason.OK):
    return Value(round(seconds * 1000), 5000.0 + seconds, number, reason)


def fed(log, *pairs):
    return [log.take(at(seconds, number)) for seconds, number in pairs]


def restarted(log, longest_gap=60.0):
    fresh = RunLog(log.threshold, longest_gap)
    fresh.restore(json.loads(json.dumps(log.state())))
    return fresh


@pytest.mark.parametrize(
    ("number", "was", "running"),
    [
        (2.1, False, True),
        (2.0, False, False),
        (2.0, True, True),
        (1.5, None, False),
        (1.5, True, True),
        (1.0, True, True),
        (0.9, True, False),
        (2.1, None, True),
        (0.9, None, False),
    ],
)
def test_hysteresis(number, was, running):
    assert CURRENT.running(number, was) is running


def test_one_number_for_both_will_do():
    contact = Threshold(0.5, 0.5)
    assert contact.running(1.0, None)
    assert not contact.running(0.0, True)


@pytest.mark.parametrize(("on", "off"), [(1.0, 2.0), (math.nan, 1.0)])
def test_thresholds_that_make_no_sense(on, off):
    with pytest.raises(ValueError, match="off below"):
        Threshold(on, off)


def test_run_time_goes_by_the_state_at_the_start_of_a_span():
    log = RunLog(CURRENT, 60.0)
    fed(log, (0, 0.0), (10, 5.0), (30, 1.5), (60, 0.0), (100, 0.0))
    assert (log.run_seconds, log.starts, log.running) == (50.0, 1, False)


def test_the_first_sample_is_no_start():
    log = RunLog(CURRENT, 60.0)
    assert log.running is None
    fed(log, (0, 5.0), (10, 5.0))
    assert (log.run_seconds, log.starts) == (10.0, 0)


def test_starts():
    log = RunLog(CURRENT, 60.0)
    fed(log, *[(10 * n, 5.0 if n % 2 else 0.0) for n in range(10)])
    assert log.starts == 5


def test_a_gap_adds_nothing_and_is_never_forgotten():
    log = RunLog(CURRENT, 60.0)
    assert fed(log, (0, 5.0), (60, 5.0), (121, 5.0), (131, 5.0)) == [
        Reason.OK,
        Reason.OK,
        Reason.GAP_IN_TOTAL,
        Reason.GAP_IN_TOTAL,
    ]
    assert (log.run_seconds, log.missing, log.starts) == (70.0, 61.0, 0)


def test_off_before_a_gap_and_on_after_it_is_a_start():
    log = RunLog(CURRENT, 60.0)
    fed(log, (0, 0.0), (100, 5.0))
    assert (log.run_seconds, log.starts) == (0.0, 1)


def test_a_bad_value_leaves_everything_as_it_stands():
    log = RunLog(CURRENT, 60.0)
    log.take(at(0, 5.0))
    assert log.take(at(10, None, Reason.NO_REPLY)) is Reason.OK
    assert log.take(at(20, math.nan)) is Reason.OK
    assert log.running
    assert log.take(at(30, 5.0)) is Reason.OK
    assert log.run_seconds == 30.0
    assert log.take(at(100, None, Reason.NO_REPLY)) is Reason.GAP_IN_TOTAL


def test_a_doubt_passes_on():
    log = RunLog(CURRENT, 60.0)
    assert log.take(at(0, 5.0, Reason.OVER_RANGE)) is Reason.OVER_RANGE


def test_over_a_restart():
    log = RunLog(CURRENT, 60.0)
    fed(log, (0, 0.0), (10, 5.0), (20, 5.0))
    log = restarted(log)
    log.take(Value(50_000, 1.0, 5.0))
    assert (log.run_seconds, log.starts, log.running) == (40.0, 1, True)
    log = restarted(log)
    assert log.take(Value(500_000, 1.0, 0.0)) is Reason.GAP_IN_TOTAL
    assert (log.run_seconds, log.missing) == (40.0, 450.0)


def test_a_longest_gap_must_be_one():
    with pytest.raises(ValueError, match="longest gap"):
        RunLog(CURRENT, 0.0)
