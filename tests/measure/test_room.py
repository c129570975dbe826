"""The measuring room: who follows whom, what is believed, what there is to know of it."""

from edge.measure.room import Room
from edge.measure.sums import Sum
from edge.readings import Condense, Reading, Sample, Series
from edge.status import Reason
from edge.units import UNITS
from tests.well_room import START, channel, kept, number, plain, sample, take, well_station

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


def test_what_stands_for_many_readings_where_there_is_no_room():
    """Of what adds up, the last one; of what a period came to, nothing does."""
    condense = {one.name: one.condense for one in well_station().series}
    last = {"flow.total", "pump.run_time", "pump.starts", "pump.running", "drawn.total"}
    assert {name for name, how in condense.items() if how is Condense.LAST} == last
    kept = {name for name, how in condense.items() if how is Condense.KEEP}
    assert kept == {name for name in condense if name.endswith((".hour", ".day"))}
    assert {condense[name] for name in condense.keys() - last - kept} == {Condense.MEAN}
