import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.measure.recorder import Figure, Recorder
from edge.measure.values import Value
from edge.readings import Condense, Reading, Series
from edge.status import Quality, Reason, worst
from edge.units import UNITS

LEVEL = Series("level", UNITS["ft"], "Level")
OVER_ALL = [figure for figure in Figure if figure is not Figure.LAST]


def at(seconds, number, reason=Reason.OK):
    return Value(seconds * 1000, float(seconds), number, reason)


def recorder(*figures, expected=4, complete_from=0.75):
    return Recorder(LEVEL, figures, expected, complete_from)


def closed(one, *values):
    """Take the values of an interval, a second apart; return what is kept at its end, by figure."""
    readings = []
    for second, value in enumerate(values):
        number, reason = value if isinstance(value, tuple) else (value, Reason.OK)
        due = second == len(values) - 1
        readings = one.take(at(second, number, reason), due=due)
        assert due or not readings
    return {reading.series.rpartition(".")[2]: reading for reading in readings}


# --- the last one


def test_what_is_due_is_kept():
    assert recorder(Figure.LAST).take(at(3, 5.0), due=True) == [Reading("level", 3000, 5.0)]


def test_what_is_not_due_is_not():
    assert recorder(Figure.LAST).take(at(3, 5.0), due=False) == []


def test_a_change_of_status_is_kept_at_once():
    last = recorder(Figure.LAST)
    last.take(at(0, 5.0), due=True)
    broken = last.take(at(1, None, Reason.OPEN_LOOP), due=False)
    assert broken == [Reading("level", 1000, None, Reason.OPEN_LOOP)]
    assert last.take(at(2, None, Reason.OPEN_LOOP), due=False) == []
    other = last.take(at(3, None, Reason.NO_REPLY), due=False)
    assert other == [Reading("level", 3000, None, Reason.NO_REPLY)]
    assert last.take(at(4, 5.0), due=False) == [Reading("level", 4000, 5.0)]


def test_something_the_matter_with_the_first_value_is_kept_at_once():
    for number, reason in ((None, Reason.NO_REPLY), (5.0, Reason.COUNTED_WHILE_DOWN)):
        last = recorder(Figure.LAST)
        first = last.take(at(0, number, reason), due=False)
        assert first == [Reading("level", 0, number, reason)]
        assert last.take(at(1, 6.0), due=False) == [Reading("level", 1000, 6.0)]


def test_a_first_value_that_is_good_or_only_not_ready_waits():
    assert recorder(Figure.LAST).take(at(0, 5.0), due=False) == []
    not_ready = recorder(Figure.LAST)
    assert not_ready.take(at(0, None, Reason.NO_EARLIER_COUNT), due=False) == []
    assert not_ready.take(at(1, 5.0), due=False) == [Reading("level", 1000, 5.0)]


def test_without_the_last_one_a_change_of_status_waits_for_the_figures():
    mean = recorder(Figure.MEAN)
    mean.take(at(0, 5.0), due=False)
    assert mean.take(at(1, None, Reason.OPEN_LOOP), due=False) == []


# --- figures of an interval


def test_every_figure_is_a_series_of_its_own():
    every = recorder(*Figure)
    assert [(one.name, one.unit.symbol, one.title) for one in every.series] == [
        ("level", "ft", "Level"),
        ("level.mean", "ft", "Level, mean"),
        ("level.min", "ft", "Level, min"),
        ("level.max", "ft", "Level, max"),
        ("level.sd", "ft", "Level, sd"),
        ("level.samples", "count", "Level, samples"),
        ("level.completeness", "%", "Level, completeness"),
    ]


def test_what_stands_for_many_figures_where_there_is_no_room():
    assert {one.name: one.condense.value for one in recorder(*OVER_ALL).series} == {
        "level.mean": "mean",
        "level.min": "min",
        "level.max": "max",
        "level.sd": "max",
        "level.samples": "sum",
        "level.completeness": "mean",
    }
    total = Series("flow.total", UNITS["m3"], condense=Condense.LAST)
    assert Recorder(total, [Figure.LAST], 4, 0.75).series == (total,)


def test_a_difference_of_temperatures_has_no_zero_point():
    air = Recorder(Series("air", UNITS["degF"]), [Figure.MEAN, Figure.DEVIATION], 4, 0.75)
    mean, deviation = air.series
    assert mean.unit.from_base(10.0) == pytest.approx(50.0)
    assert deviation.unit.from_base(10.0) == pytest.approx(18.0)
    assert deviation.unit.symbol == "degF"
    assert (mean.title, deviation.title) == ("mean", "sd")


def test_the_figures_of_an_interval():
    kept = closed(recorder(*OVER_ALL), 1.0, 4.0, 2.0, 3.0)
    assert {name: reading.value for name, reading in kept.items()} == {
        "mean": 2.5,
        "min": 1.0,
        "max": 4.0,
        "sd": pytest.approx(statistics.stdev([1, 4, 2, 3])),
        "samples": 4.0,
        "completeness": 1.0,
    }
    assert {reading.reason for reading in kept.values()} == {Reason.OK}
    assert {reading.utc_ms for reading in kept.values()} == {3000}


def test_every_interval_begins_anew():
    mean = recorder(Figure.MEAN, expected=1)
    closed(mean, 100.0)
    assert closed(mean, 2.0)["mean"].value == 2.0


def test_three_of_four_are_enough_and_two_are_not():
    enough = closed(recorder(*OVER_ALL), 1.0, (None, Reason.NO_REPLY), 2.0, 3.0)
    assert (enough["mean"].value, enough["mean"].reason) == (2.0, Reason.OK)
    bad = (None, Reason.NO_REPLY)
    few = closed(recorder(*OVER_ALL), 1.0, bad, bad, 3.0)
    assert (few["mean"].value, few["mean"].reason) == (2.0, Reason.INCOMPLETE)
    assert (few["samples"], few["completeness"]) == (
        Reading("level.samples", 3000, 2.0),
        Reading("level.completeness", 3000, 0.5),
    )


def test_an_interval_without_a_value_says_why_and_counts_nought():
    kept = closed(recorder(*OVER_ALL), (None, Reason.NO_REPLY), (None, Reason.OPEN_LOOP))
    assert kept["mean"] == Reading("level.mean", 1000, None, Reason.OPEN_LOOP)
    assert kept["samples"] == Reading("level.samples", 1000, 0.0)
    assert kept["completeness"] == Reading("level.completeness", 1000, 0.0)


def test_one_sample_has_a_mean_but_no_deviation():
    kept = closed(recorder(*OVER_ALL, expected=1), 7.0)
    assert kept["mean"].value == 7.0
    assert kept["sd"] == Reading("level.sd", 0, None, Reason.TOO_FEW_SAMPLES)


samples = st.one_of(
    st.tuples(st.floats(-1e6, 1e6), st.sampled_from([Reason.OK, Reason.OK, Reason.OVER_RANGE])),
    st.tuples(st.none(), st.sampled_from([Reason.NO_REPLY, Reason.OPEN_LOOP])),
)


@given(st.lists(samples, min_size=1, max_size=30), st.integers(1, 30))
def test_figures_agree_with_the_standard_library_and_are_no_better_than_their_samples(
    values, expected
):
    kept = closed(recorder(*OVER_ALL, expected=expected), *values)
    good = [number for number, _ in values if number is not None]
    assert kept["samples"].value == len(good)
    assert kept["completeness"].value == min(1.0, len(good) / expected)
    for name in ("mean", "min", "max", "sd"):
        reading = kept[name]
        assert (reading.value is None) == (reading.reason.quality is Quality.BAD)
    if good:
        assert kept["mean"].value == pytest.approx(statistics.fmean(good), abs=1e-6)
        assert (kept["min"].value, kept["max"].value) == (min(good), max(good))
        with_number = [reason for number, reason in values if number is not None]
        assert kept["mean"].reason.quality >= worst(*with_number).quality
    if len(good) > 1:
        assert kept["sd"].value == pytest.approx(statistics.stdev(good), rel=1e-6, abs=1e-6)
