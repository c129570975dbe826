import json

import pytest

from edge.measure.switching import Threshold
from edge.measure.totals import FlowTotal, PumpRuns
from edge.measure.values import Value
from edge.status import Reason
from edge.units import UNITS


def at(seconds, number, reason=Reason.OK, boot=5000.0):
    return Value(round(seconds * 1000), boot + seconds, number, reason)


def total():
    return FlowTotal(
        "drawn", "flow", longest_gap=60.0, low_cutoff=0.5, shown=UNITS["gal"], title="Drawn"
    )


def pump():
    threshold = Threshold(on_above=2.0, off_below=1.0)
    return PumpRuns("pump", "amps", threshold, longest_gap=60.0, shown=UNITS["h"], title="Pump")


def restarted(channel, fresh):
    fresh.restore(json.loads(json.dumps(channel.state())))
    return fresh


def fed(channel, *pairs):
    """Return what every series came to last."""
    for seconds, number in pairs:
        values = channel.compute(at(seconds, number))
    return [(value.number, value.reason) for value in values]


def named(steps):
    return {step.name: step.number for step in steps}


def test_a_flow_adds_up():
    channel = total()
    (series,) = channel.series
    assert (series.name, series.unit.symbol, series.title) == ("drawn.total", "gal", "Drawn, total")
    assert fed(channel, (0, 2.0), (10, 4.0)) == [(30.0, Reason.OK)]
    assert fed(channel, (20, 0.4)) == [(50.0, Reason.OK)]  # below the cutoff: nought


def test_a_total_stands_while_there_is_no_flow_to_add():
    channel = total()
    fed(channel, (0, 1.0), (10, 1.0))
    assert channel.compute(at(20, None, Reason.NO_REPLY)) == (at(20, 10.0),)
    assert channel.compute(at(90, None, Reason.NO_REPLY)) == (at(90, 10.0, Reason.GAP_IN_TOTAL),)
    assert channel.missing == 80.0


def test_a_doubtful_flow_makes_a_doubtful_total():
    channel = total()
    fed(channel, (0, 1.0))
    assert channel.compute(at(10, 1.0, Reason.OVER_RANGE)) == (at(10, 10.0, Reason.OVER_RANGE),)


def test_a_total_goes_on_after_a_restart():
    channel = total()
    fed(channel, (0, 1.0), (10, 1.0))
    channel = restarted(channel, total())
    assert fed(channel, (40, 3.0)) == [(70.0, Reason.OK)]
    channel = restarted(channel, total())
    assert fed(channel, (140, 3.0)) == [(70.0, Reason.GAP_IN_TOTAL)]
    assert restarted(channel, total()).missing == 100.0


def test_the_steps_of_a_total():
    channel = total()
    fed(channel, (0, 1.0), (10, 1.0), (100, 1.0))
    assert named(channel.explain(at(100, 1.0))) == {"total": 10.0, "time missing": 90.0}


def test_a_pump_yields_run_time_starts_and_whether_it_runs():
    channel = pump()
    assert [(one.name, one.unit.symbol, one.title) for one in channel.series] == [
        ("pump.run_time", "h", "Pump, run time"),
        ("pump.starts", "count", "Pump, starts"),
        ("pump.running", "1", "Pump, running"),
    ]
    good = Reason.OK
    assert fed(channel, (0, 0.0)) == [(0.0, good), (0.0, good), (0.0, good)]
    assert fed(channel, (10, 5.0)) == [(0.0, good), (1.0, good), (1.0, good)]
    assert fed(channel, (20, 1.5)) == [(10.0, good), (1.0, good), (1.0, good)]
    assert fed(channel, (30, 0.0)) == [(20.0, good), (1.0, good), (0.0, good)]


def test_while_nothing_is_known_the_log_stands_and_whether_it_runs_is_unknown():
    channel = pump()
    fed(channel, (0, 5.0), (10, 5.0))
    run_time, starts, running = channel.compute(at(20, None, Reason.SILENT))
    assert (run_time, starts) == (at(20, 10.0), at(20, 0.0))
    assert running == at(20, None, Reason.SILENT)
    run_time, _, _ = channel.compute(at(80, None, Reason.SILENT))
    assert run_time == at(80, 10.0, Reason.GAP_IN_TOTAL)
    assert channel.missing == 70.0


def test_a_doubt_about_what_is_watched_is_one_about_all():
    values = pump().compute(at(0, 5.0, Reason.STUCK))
    assert [value.reason for value in values] == [Reason.STUCK] * 3


def test_a_log_goes_on_after_a_restart():
    channel = pump()
    fed(channel, (0, 0.0), (10, 5.0), (20, 5.0))
    channel = restarted(channel, pump())
    # Between the numbers it is as it was, and it was running.
    assert [number for number, _ in fed(channel, (40, 1.5))] == [30.0, 1.0, 1.0]


def test_the_steps_of_a_log():
    channel = pump()
    fed(channel, (0, 0.0), (10, 5.0), (20, 5.0))
    assert named(channel.explain(at(20, 5.0))) == {
        "run time": 10.0,
        "starts": 1.0,
        "time missing": 0.0,
    }


@pytest.mark.parametrize("channel", [total(), pump()])
def test_before_the_first_good_value_totals_are_nought_and_nothing_is_missing(channel):
    values = channel.compute(at(0, None, Reason.NO_REPLY))
    assert values[0] == at(0, 0.0)
    assert channel.missing == 0
