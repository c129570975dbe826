"""The measuring room as a whole: who follows whom, what is doubted, what is remembered."""

import json
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.measure.contents import TankContents
from edge.measure.counter import CounterRules
from edge.measure.levels import Drawdown, WaterLevel, Well
from edge.measure.line import Line
from edge.measure.loop import LoopScale
from edge.measure.measured import Counted, Scaled
from edge.measure.meter import Meter
from edge.measure.periods import Period, PeriodRecorder
from edge.measure.recorder import Figure, Recorder
from edge.measure.room import Room, RoomChannel
from edge.measure.sums import SpecificCapacity, Sum
from edge.measure.switching import Threshold
from edge.measure.tanks import UprightCylinder
from edge.measure.totals import FlowTotal, PumpRuns
from edge.readings import Reading, Sample, Series
from edge.status import Quality, Reason
from edge.units import UNITS

ZONE = ZoneInfo("America/Denver")
START = 1_772_348_400_000  # 2026-03-01 00:00 at the Ash Creek wells
MINUTE = 60.0


def channel(computation, sample_s=MINUTE, periods=(), figures=(Figure.LAST,)):
    name = computation.series[0].name.partition(".")[0]
    booked = computation.series[0]
    return RoomChannel(
        name,
        computation,
        sample_s,
        [Recorder(one, figures, 1, 0.75) for one in computation.series],
        {booked.name: PeriodRecorder(booked, periods, ZONE, sample_s)} if periods else {},
    )


def plain(name, unit="m"):
    return Scaled(name, UNITS[unit], Line(0.0, 1.0, 0.0, 1.0))


def meter(each=0.5):
    units = {"volume_unit": UNITS["m3"], "flow_unit": UNITS["m3/min"]}
    return Counted("flow", CounterRules.of_bits(16), Meter(each), **units)


def drawn():
    return FlowTotal("drawn", "flow.rate", longest_gap=180.0, low_cutoff=0.0, shown=UNITS["m3"])


def pump():
    switch = Threshold(0.5, 0.5)
    return PumpRuns("pump", "contact", switch, longest_gap=180.0, shown=UNITS["h"])


def drawdown(lead="well.depth_to_water"):
    return Drawdown(Series("drawdown", UNITS["m"]), (lead, "pump.running"), None)


def well_station(each=0.5, periods=(Period.HOUR, Period.DAY)):
    """A well with everything: level, counter, pump contact, and all that follows from them."""
    level = LoopScale.spanning(Line(0, 1, 0, 0.001), 0.0, 50.0)
    return Room(
        [
            channel(Scaled("level", UNITS["m"], level)),
            channel(meter(each), periods=periods),
            channel(plain("contact", "1")),
            channel(pump(), periods=periods),
            channel(WaterLevel("well", ("level",), UNITS["m"], Well(60.0, 1700.0), None)),
            channel(drawdown()),
            channel(
                SpecificCapacity(Series("capacity", UNITS["m2/s"]), ("flow.rate", "drawdown"), 0.3)
            ),
            channel(drawn(), periods=periods),
            channel(
                TankContents(
                    "tank", "level", UprightCylinder(2.0, 40.0), offset=0.0, shown=UNITS["m3"]
                )
            ),
            channel(Sum(Series("net", UNITS["m"]), ("level", "drawdown", "contact"), (1, 1, -1))),
        ]
    )


def sample(name, minute, raw, reason=Reason.OK, *, boot=0.0):
    seconds = minute * MINUTE
    return Sample(name, START + round(seconds * 1000), boot + seconds, raw, reason)


def take(room, minute, due=True, boot=0.0, **raw):
    """Take a round of raw numbers, or reasons why there are none, by channel."""
    samples = [
        sample(name, minute, None, number, boot=boot)
        if isinstance(number, Reason)
        else sample(name, minute, number, boot=boot)
        for name, number in raw.items()
    ]
    return room.take([(one, due) for one in samples])


def kept(made):
    return {reading.series: reading for reading in made.readings}


def number(room, series):
    return latest(room, series).number


def latest(room, series):
    owner = series.partition(".")[0]
    return {one.name: value for one, value in room.latest(owner)}[series]


def saved(states):
    return json.loads(json.dumps(states))


# --- who follows whom


def following():
    """Two levels and their sum, which `level` leads."""
    both = Sum(Series("both", UNITS["m"]), ("level", "other"), (1, 1))
    return Room([channel(plain("level")), channel(plain("other"), sample_s=300.0), channel(both)])


def test_a_computed_channel_follows_its_leading_input():
    room = following()
    take(room, 0, level=1.0, other=10.0)
    assert kept(take(room, 1, level=2.0)) == {
        "level": Reading("level", START + 60_000, 2.0),
        "both": Reading("both", START + 60_000, 12.0),
    }
    assert "both" not in kept(take(room, 2, other=20.0))
    assert number(room, "both") == 12.0


def test_it_is_recorded_when_its_leading_input_is():
    room = following()
    take(room, 0, level=1.0, other=10.0)
    assert take(room, 1, due=False, level=2.0).readings == []
    assert number(room, "both") == 12.0  # computed all the same
    made = room.take([(sample("level", 2, 3.0), False), (sample("other", 2, 30.0), True)])
    assert set(kept(made)) == {"other"}
    made = room.take([(sample("level", 3, 4.0), True), (sample("other", 3, 40.0), False)])
    assert set(kept(made)) == {"level", "both"}


def test_what_is_computed_of_computed_ones_follows_too():
    room = Room(
        [
            channel(plain("level")),
            channel(Sum(Series("twice", UNITS["m"]), ("level", "level"), (1, 1))),
            channel(Sum(Series("thrice", UNITS["m"]), ("twice", "level"), (1, 1))),
        ]
    )
    assert kept(take(room, 0, level=2.0))["thrice"].value == 6.0
    assert take(room, 1, due=False, level=2.0).readings == []


def test_an_input_that_was_never_read():
    room = following()
    assert kept(take(room, 0, level=1.0))["both"] == Reading(
        "both", START, None, Reason.NO_INPUT_YET
    )
    take(room, 1, other=1.0)
    assert kept(take(room, 2, level=1.0))["both"].reason is Reason.OK


def test_an_input_is_believed_for_three_of_its_own_intervals():
    room = following()
    take(room, 0, level=1.0, other=10.0)
    assert kept(take(room, 15, level=2.0))["both"].value == 12.0
    later = take(room, 15.01, level=2.0)
    assert kept(later)["both"] == Reading("both", START + 900_600, None, Reason.INPUT_TOO_OLD)


def test_an_old_input_that_was_bad_keeps_its_reason():
    room = following()
    take(room, 0, level=1.0, other=Reason.NO_REPLY)
    assert kept(take(room, 60, level=2.0))["both"].reason is Reason.NO_REPLY


def test_an_input_read_later_in_the_round_is_taken_as_it_is_now():
    room = following()
    made = room.take([(sample("other", 1, 10.0), True), (sample("level", 0, 1.0), True)])
    assert kept(made)["both"].value == 11.0


def test_the_state_of_the_clock_on_the_wall_does_not_make_an_input_old():
    room = following()
    take(room, 0, level=1.0, other=10.0)
    stepped = Sample("level", START + 86_400_000, 60.0, 2.0)
    assert kept(room.take([(stepped, True)]))["both"].value == 12.0


# --- what there is to know of a room


def test_all_that_can_be_recorded():
    names = [one.name for one in well_station().series]
    assert len(names) == len(set(names))
    assert set(names) >= {
        "level", "flow.total", "flow.rate", "flow.total.hour", "flow.total.day", "pump.run_time",
        "pump.run_time.day", "pump.starts", "pump.running", "well.depth_to_water", "drawdown",
        "capacity", "drawn.total", "drawn.total.hour", "tank.volume", "tank.filled", "net",
    }  # fmt: skip


def test_what_must_be_read_to_compute_a_channel():
    room = well_station()
    assert room.sources("level") == ["level"]
    assert room.sources("capacity") == ["flow", "level", "contact"]
    assert room.sources("tank") == ["level"]


def test_units_latest_values_and_steps():
    room = well_station()
    assert room.unit_of("flow.rate") is UNITS["m3/min"]
    assert room.latest("level") == []
    assert room.explain("level") == []
    take(room, 0, level=12.0)
    ((series, value),) = room.latest("level")
    assert (series.name, value.number) == ("level", 25.0)
    assert [step.name for step in room.explain("level")] == ["raw", "loop current", "value"]
    assert [step.name for step in room.explain("well")] == [
        "submergence",
        "depth to water",
        "elevation",
    ]


# --- a day at the well


def day(room, first, last, *, boot=0.0, raw=0):
    """Run a room through the minutes of a day: the pump runs in every other hour."""
    states, readings = {}, []
    for minute in range(first, last):
        runs = minute // 60 % 2
        raw += 60 * runs
        made = take(
            room,
            minute,
            boot=boot,
            level=12.0 - 2.0 * runs,
            flow=float(raw % 65536),
            contact=float(runs),
        )
        states |= made.states
        readings += made.readings
    return states, readings


def by_series(readings, name):
    return [(r.value, r.reason) for r in readings if r.series == name]


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
