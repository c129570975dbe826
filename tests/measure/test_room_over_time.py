"""The measuring room over days and restarts: what is remembered, and what always holds."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.measure.levels import Drawdown
from edge.measure.periods import Period
from edge.measure.recorder import Figure
from edge.measure.room import Room
from edge.measure.totals import FlowTotal
from edge.readings import Series
from edge.status import Quality, Reason
from edge.units import UNITS
from tests.well_room import (
    START,
    by_series,
    channel,
    day,
    latest,
    number,
    plain,
    sample,
    saved,
    take,
    well_station,
)

# --- a day at the well


def test_a_day_at_the_well():
    _, readings = day(well_station(), 0, 1441)
    last = {reading.series: reading for reading in readings}
    assert last["flow.total"].value == 12 * 60 * 60 * 0.5
    assert last["pump.starts"].value == 12
    assert last["pump.run_time"].value == 12 * 3600
    assert last["flow.total.day"].value == last["flow.total"].value
    assert last["flow.total.day"].utc_ms == START + 86_400_000
    hours = [value for value, _ in by_series(readings, "flow.total.hour")]
    assert len(hours) == 24
    assert sum(hours) == last["flow.total.day"].value
    # 2 mA of 16 over 50 m are 6.25 m of drawdown.
    drawdowns = {value for value, reason in by_series(readings, "drawdown") if reason is Reason.OK}
    assert sorted(drawdowns) == pytest.approx([0.0, 6.25])


@pytest.mark.parametrize("restart_at", [90, 100, 121, 170])
def test_over_a_restart_everything_goes_on(restart_at):
    """As if there had been none, but for the first rate and what needs it."""
    _, unbroken = day(well_station(), 0, 400)
    states, first = day(well_station(), 0, restart_at)
    again = well_station()
    again.restore(saved(states))
    raw = sum(60 for minute in range(restart_at) if minute // 60 % 2)
    _, second = day(again, restart_at, 400, boot=-5000.0, raw=raw)
    for name in (
        "flow.total", "flow.total.hour", "pump.run_time", "pump.run_time.hour", "pump.starts",
        "pump.running", "drawdown", "well.elevation",
    ):  # fmt: skip
        assert by_series(first + second, name) == by_series(unbroken, name), name


def test_drawdowns_rest_level_is_kept_when_learnt_with_the_readings_it_led_to():
    room = well_station()
    made = take(room, 0, level=12.0, contact=0.0)
    assert made.states["drawdown"]["channel"] == {"rest_depth": 35.0}
    again = well_station()
    assert again.restore(saved(made.states)) == []
    take(again, 1, level=10.0, contact=1.0)
    assert number(again, "drawdown") == pytest.approx(6.25)


def test_a_changed_k_factor_leaves_the_totals_standing():
    states, _ = day(well_station(each=0.5), 0, 100)
    before = 40 * 60 * 0.5
    again = well_station(each=2.0)
    again.restore(saved(states))
    take(again, 100, flow=40 * 60.0)
    assert number(again, "flow.total") == before
    take(again, 101, flow=40 * 60.0 + 3)
    assert number(again, "flow.total") == before + 6.0


def test_states_come_with_the_readings_they_led_to_and_not_without():
    room = well_station()
    take(room, 0, level=12.0, flow=0.0)
    take(room, 1, level=12.0, flow=10.0)
    made = take(room, 2, due=False, level=12.0, flow=20.0)
    assert (made.readings, made.states) == ([], {})
    made = take(room, 3, level=12.0, flow=30.0)
    assert made.states["flow"]["channel"]["tally"]["pulses"] == 30
    assert "level" not in made.states  # has nothing to remember


def test_states_of_unknown_channels_and_periods_are_left_alone():
    states, _ = day(well_station(), 0, 100)
    fewer = well_station(periods=())
    fewer.restore(saved(states) | {"old-meter": {"channel": {"total": 1.0}}})
    assert take(fewer, 100, flow=40 * 60.0).states["flow"].keys() == {"kind", "channel"}


@pytest.mark.parametrize("before", [(), (Period.DAY,)])
def test_a_period_that_was_not_booked_before_begins_in_the_course_of_it(before):
    states, _ = day(well_station(periods=before), 0, 100)
    more = well_station()
    more.restore(saved(states))
    _, readings = day(more, 100, 121, raw=40 * 60)
    ((amount, reason),) = by_series(readings, "flow.total.hour")
    assert (amount, reason) == (19 * 60 * 0.5, Reason.PART_OF_PERIOD)


def test_on_the_way_out_every_channel_says_what_it_must_remember():
    """Though none of its readings was due since."""
    room = well_station(periods=())
    assert room.states().keys() == {"pump", "drawn"}
    take(room, 0, level=12.0, flow=0.0, contact=0.0)
    take(room, 1, level=12.0, flow=10.0, contact=0.0)
    made = take(room, 2, due=False, level=12.0, flow=20.0, contact=0.0)
    assert made.states == {}
    states = room.states()
    assert states.keys() == {"flow", "pump", "drawn", "drawdown"}
    again = well_station(periods=())
    again.restore(saved(states))
    assert again.states() == saved(states)
    take(again, 3, flow=30.0)
    assert number(again, "flow.total") == 15.0


def test_a_state_without_a_channels_own_part_restores_the_rest():
    room = well_station()
    made = take(room, 0, flow=Reason.NO_REPLY)
    assert "channel" not in made.states["flow"]
    again = well_station()
    again.restore(saved(made.states))
    take(again, 1, flow=7.0)
    assert number(again, "flow.total") == 0.0


def test_a_channel_that_became_one_of_another_kind_begins_anew():
    """A station file may give an old name to something else; the daemon must start all the same."""
    states, _ = day(well_station(), 0, 100)
    flow = channel(FlowTotal("flow", "level", longest_gap=60, low_cutoff=0, shown=UNITS["m3"]))
    rest = channel(Drawdown(Series("drawn", UNITS["m"]), ("level", "contact"), None))
    room = Room([channel(plain("level")), channel(plain("contact", "1")), flow, rest])
    assert room.restore(saved(states)) == ["flow", "drawn"]
    take(room, 100, level=5.0, contact=1.0)
    assert number(room, "flow.total") == 0.0
    assert latest(room, "drawn").reason is Reason.NO_REST_LEVEL_YET


def test_a_state_that_does_not_say_its_kind_is_a_counters():
    state = {"channel": {"tally": {"pulses": 100, "raw": 7}}}
    room = well_station()
    assert room.restore({"flow": state, "drawn": state}) == ["drawn"]
    take(room, 0, flow=9.0)
    assert number(room, "flow.total") == 51.0


def test_a_level_is_booked_by_its_figures_and_a_total_as_it_stands():
    figures = (Figure.MEAN, Figure.MAXIMUM)
    room = Room([channel(plain("level"), figures=figures)])
    take(room, 0, due=False, level=1.0)
    assert {r.series: r.value for r in take(room, 1, level=4.0).readings} == {
        "level.mean": 2.5,
        "level.max": 4.0,
    }


# --- whatever happens

inputs = st.fixed_dictionaries(
    {},
    optional={
        "level": st.floats(0.0, 24.0),
        "flow": st.integers(0, 65535).map(float),
        "contact": st.sampled_from([0.0, 1.0]),
    },
)
doubts = st.sampled_from(
    [Reason.OK, Reason.OK, Reason.STUCK, Reason.NO_REPLY, Reason.SILENT, Reason.CHANGED_TOO_FAST]
)


@given(st.lists(st.tuples(inputs, st.lists(doubts, min_size=3, max_size=3)), max_size=12))
def test_the_status_never_improves_down_the_river(rounds):
    """No value is better than what it is computed from.

    Two kinds of number stand while their input has none, for that takes nothing from them: the
    total of a flow, the log of a pump. But a doubt about the input is one about them, too.
    """
    room = well_station()
    for minute, (raw, reasons) in enumerate(rounds):
        samples = []
        for (name, one), reason in zip(raw.items(), reasons, strict=False):
            bad = reason.quality is Quality.BAD
            samples.append(sample(name, minute, None if bad else one, reason))
        made = room.take([(one, True) for one in samples])
        for reading in made.readings:
            assert (reading.value is None) == (reading.reason.quality is Quality.BAD)
        for one in samples:
            for _, value in room.latest(one.channel):
                assert value.reason.quality >= one.reason.quality
        due = {one.channel for one in samples}
        for name, its in room.channels.items():
            if its.computation.inputs and room.sources(name)[0] in due:
                no_better_than_its_inputs(room, name)


STANDING = {"drawn.total", "pump.run_time", "pump.starts"}


def no_better_than_its_inputs(room, name):
    inputs = room.channels[name].computation.inputs
    qualities = [quality_of(room, one) for one in inputs]
    lead = latest(room, inputs[0])
    for series, value in room.latest(name):
        assert (value.utc_ms, value.monotonic) == (lead.utc_ms, lead.monotonic)
        assert (value.number is None) == (value.reason.quality is Quality.BAD)
        if series.name in STANDING and Quality.BAD in qualities:
            assert value.number is not None
        else:
            assert value.reason.quality >= max(qualities)


def quality_of(room, series):
    found = [v for one, v in room.latest(series.partition(".")[0]) if one.name == series]
    return found[0].reason.quality if found else Quality.BAD


@given(
    st.lists(st.tuples(st.integers(0, 300), st.sampled_from(["on", "bad", "restart"])), max_size=40)
)
def test_totals_never_go_backwards_over_restarts_and_failures(steps):
    room, raw, states, highest = well_station(), 60_000, {}, {}
    for minute, (pulses, event) in enumerate(steps):
        raw = (raw + pulses) % 65536
        if event == "restart":
            room = well_station()
            room.restore(saved(states))
        flow = Reason.NO_REPLY if event == "bad" else float(raw)
        made = take(room, minute, flow=flow, contact=float(pulses > 100))
        states |= made.states
        for reading in made.readings:
            if reading.series in STANDING | {"flow.total"} and reading.value is not None:
                assert reading.value >= highest.get(reading.series, 0.0)
                highest[reading.series] = reading.value
