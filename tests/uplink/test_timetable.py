"""When readings are published, by the clocks where the station is."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.energy.stages import Effects
from edge.station.model import Uplink
from edge.uplink.timetable import Timetable, timetable_of

DENVER = ZoneInfo("America/Denver")
MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR

ZONES = ["UTC", "America/Denver", "Australia/Lord_Howe", "Africa/Cairo", "America/Santiago"]


def ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


def iso(utc_ms: int | None) -> str:
    assert utc_ms is not None
    return datetime.fromtimestamp(utc_ms / 1000, UTC).isoformat()


def test_slots_at_an_interval_are_on_the_wall_clock() -> None:
    table = Timetable(15 * MINUTE)
    assert iso(table.next(ms("2026-03-01T06:31:00Z"))) == "2026-03-01T06:45:00+00:00"
    assert iso(table.next(ms("2026-03-01T06:45:00Z"))) == "2026-03-01T07:00:00+00:00"
    assert table.lingers
    assert not Timetable(15 * MINUTE, stay=False).lingers


def test_slots_at_times_of_the_day_are_those_of_the_station() -> None:
    table = Timetable(MINUTE, (18 * 60, 6 * 60 + 30), DENVER)
    assert not table.lingers
    assert iso(table.next(ms("2026-03-01T06:29:59-07:00"))) == "2026-03-01T13:30:00+00:00"
    assert iso(table.next(ms("2026-03-01T06:30:00-07:00"))) == "2026-03-02T01:00:00+00:00"
    assert iso(table.next(ms("2026-03-01T18:00:00-07:00"))) == "2026-03-02T13:30:00+00:00"


# Energy Policy Act of 2005, section 110 (15 U.S.C. 260a): from 2 a.m. on the second Sunday of March
# to 2 a.m. on the first Sunday of November; in 2026 these are 8 March and 1 November.
def test_a_time_that_does_not_exist_is_taken_at_the_change() -> None:
    table = Timetable(MINUTE, (2 * 60 + 30,), DENVER)
    slot = table.next(ms("2026-03-08T00:00:00-07:00"))
    assert iso(slot) == "2026-03-08T09:00:00+00:00"  # 2:00 standard time, 3:00 daylight time
    assert iso(table.next(slot)) == "2026-03-09T08:30:00+00:00"


def test_a_time_that_comes_twice_counts_once() -> None:
    table = Timetable(MINUTE, (60 + 30,), DENVER)
    slot = table.next(ms("2026-11-01T00:00:00-06:00"))
    assert iso(slot) == "2026-11-01T07:30:00+00:00"  # in daylight time
    assert iso(table.next(slot)) == "2026-11-02T08:30:00+00:00"


def test_a_closed_timetable_has_no_slot() -> None:
    assert Timetable(MINUTE, open=False).next(0) is None
    assert Timetable(MINUTE, (0,), open=False).next(0) is None


def test_a_clock_set_back_makes_the_next_slot_come_sooner() -> None:
    table = Timetable(HOUR)
    assert table.sooner(5 * HOUR, 4 * HOUR) == 5 * HOUR
    assert table.sooner(5 * HOUR, 2 * HOUR + 1) == 3 * HOUR
    assert table.sooner(5 * HOUR, 6 * HOUR) == 5 * HOUR  # it is due
    assert table.sooner(None, 6 * HOUR) == 7 * HOUR
    assert Timetable(HOUR, open=False).sooner(None, 0) is None


def test_slots_in_words() -> None:
    table = Timetable(MINUTE, (18 * 60,), DENVER)
    now = ms("2026-03-01T06:30:00-07:00")
    assert table.in_words(ms("2026-03-01T18:00:00-07:00"), now) == "at 18:00"
    assert table.in_words(ms("2026-03-01T18:00:10-07:00"), now) == "at 18:00:10"
    assert table.in_words(ms("2026-03-04T18:00:00-07:00"), now) == "on 2026-03-04 at 18:00"


instants = st.integers(ms("2000-01-01T00:00:00Z"), ms("2037-01-01T00:00:00Z"))
times = st.lists(st.integers(0, 1439), min_size=1, max_size=4).map(tuple)


@given(instants, times, st.sampled_from(ZONES))
def test_there_is_one_slot_a_time_and_day(after: int, at: tuple[int, ...], zone: str) -> None:
    table = Timetable(MINUTE, at, ZoneInfo(zone))
    slots = [after]
    for _ in range(3 * len(set(at))):
        slot = table.next(slots[-1])
        assert slot is not None
        assert slots[-1] < slot
        # Nothing comes between: half way there it still is the next.
        assert table.next((slots[-1] + slot) // 2) == slot or slot - slots[-1] == 1
        slots.append(slot)
    assert slots[-1] - after <= 4 * DAY


# pandas resolves local times by itself; "shift_forward" takes those that do not exist at the change
# of the clocks.
@given(instants, st.integers(0, 1439), st.sampled_from(ZONES))
def test_a_reference_library_has_the_same_slots(after: int, minutes: int, zone: str) -> None:
    slot = Timetable(MINUTE, (minutes,), ZoneInfo(zone)).next(after)
    first = pd.Timestamp(after, unit="ms", tz="UTC").tz_convert(zone).tz_localize(None).normalize()
    wall = [first + timedelta(days=d, minutes=minutes) for d in (-1, 0, 1, 2)]
    expected = [
        one.tz_localize(zone, nonexistent="shift_forward", ambiguous=True).timestamp() * 1000
        for one in wall
    ]
    assert slot == min(one for one in expected if one > after)


@pytest.mark.parametrize(
    ("section", "effects", "expected"),
    [
        ({}, None, Timetable(5 * MINUTE, None, DENVER)),
        ({}, Effects(stretch_publishing=12), Timetable(HOUR, None, DENVER)),
        ({}, Effects(publish_at=(1080,)), Timetable(5 * MINUTE, (1080,), DENVER)),
        ({"stay_connected": False}, None, Timetable(5 * MINUTE, None, DENVER, stay=False)),
        ({}, Effects(off=frozenset({"modem"})), Timetable(5 * MINUTE, None, DENVER)),
        ({"supply": "modem"}, Effects(), Timetable(5 * MINUTE, None, DENVER)),
        (
            {"supply": "modem"},
            Effects(off=frozenset({"modem", "sensors"})),
            Timetable(5 * MINUTE, None, DENVER, open=False),
        ),
    ],
)
def test_a_stage_of_load_shedding_makes_another_timetable(
    section: dict[str, object], effects: Effects | None, expected: Timetable
) -> None:
    uplink = Uplink(host="broker.ash-creek.example", publish="5 min", **section)
    assert timetable_of(uplink, DENVER, effects) == expected
