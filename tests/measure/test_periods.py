import json
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edge.measure.periods import Closed, Period, PeriodRecorder, PeriodTotals, next_start, start_of
from edge.measure.values import Value
from edge.readings import Condense, Reading, Series
from edge.status import Quality, Reason
from edge.units import UNITS

HOUR, DAY, MONTH, WATER_YEAR = Period
DENVER = ZoneInfo("America/Denver")
ODD_ZONES = [
    "America/Denver",
    "America/Sao_Paulo",
    "America/Havana",
    "America/Nuuk",
    "Africa/Cairo",
    "Asia/Kolkata",
    "Asia/Pyongyang",
    "Australia/Lord_Howe",
    "Pacific/Apia",
]
MINUTE_MS, HOUR_MS = 60_000, 3_600_000


def ms(text):
    """An instant in UTC, as ``2024-03-10 07:00``, in milliseconds."""
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def shown(utc_ms):
    return datetime.fromtimestamp(utc_ms / 1000, UTC).strftime("%Y-%m-%d %H:%M")


# Where the clocks on the wall are moved, in the calendars of those who move them.
@pytest.mark.parametrize(
    ("zone", "period", "within", "start", "end"),
    [
        # An ordinary day, and its first and last millisecond.
        ("America/Denver", DAY, "2024-07-04 06:00", "2024-07-04 06:00", "2024-07-05 06:00"),
        ("America/Denver", DAY, "2024-07-05 05:59", "2024-07-04 06:00", "2024-07-05 06:00"),
        # 23 hours, 25 hours.
        ("America/Denver", DAY, "2024-03-10 12:00", "2024-03-10 07:00", "2024-03-11 06:00"),
        ("America/Denver", DAY, "2024-11-03 12:00", "2024-11-03 06:00", "2024-11-04 07:00"),
        # One in the morning comes twice, and is two hours.
        ("America/Denver", HOUR, "2024-11-03 07:30", "2024-11-03 07:00", "2024-11-03 08:00"),
        ("America/Denver", HOUR, "2024-11-03 08:30", "2024-11-03 08:00", "2024-11-03 09:00"),
        ("America/Denver", MONTH, "2024-03-31 12:00", "2024-03-01 07:00", "2024-04-01 06:00"),
        ("America/Denver", MONTH, "2024-12-31 12:00", "2024-12-01 07:00", "2025-01-01 07:00"),
        # Leap Februaries, and those of years that are none.
        ("UTC", MONTH, "2024-02-29 23:59", "2024-02-01 00:00", "2024-03-01 00:00"),
        ("UTC", MONTH, "2023-02-28 23:59", "2023-02-01 00:00", "2023-03-01 00:00"),
        ("UTC", DAY, "2024-02-28 23:59", "2024-02-28 00:00", "2024-02-29 00:00"),
        # Water years.
        ("America/Denver", WATER_YEAR, "2024-10-01 05:59", "2023-10-01 06:00", "2024-10-01 06:00"),
        ("America/Denver", WATER_YEAR, "2024-10-01 06:00", "2024-10-01 06:00", "2025-10-01 06:00"),
        ("America/Denver", WATER_YEAR, "2025-01-01 12:00", "2024-10-01 06:00", "2025-10-01 06:00"),
        # Midnights that do not exist: the day begins at one.
        ("America/Sao_Paulo", DAY, "2018-11-04 12:00", "2018-11-04 03:00", "2018-11-05 02:00"),
        ("Africa/Cairo", DAY, "2024-04-26 12:00", "2024-04-25 22:00", "2024-04-26 21:00"),
        # A midnight that comes twice: the day begins with the first.
        ("America/Havana", DAY, "2024-11-03 12:00", "2024-11-03 04:00", "2024-11-04 05:00"),
        # At midnight it is eleven again: that hour belongs to the day before, which has 25.
        ("America/Nuuk", DAY, "2024-10-27 01:30", "2024-10-26 01:00", "2024-10-27 02:00"),
        # A day that was left out, when the date line was moved.
        ("Pacific/Apia", DAY, "2011-12-30 09:59", "2011-12-29 10:00", "2011-12-30 10:00"),
        ("Pacific/Apia", DAY, "2011-12-30 10:00", "2011-12-30 10:00", "2011-12-31 10:00"),
        # Half-hour zones.
        ("Asia/Kolkata", HOUR, "2024-01-01 00:45", "2024-01-01 00:30", "2024-01-01 01:30"),
        ("Asia/Kolkata", DAY, "2024-01-01 12:00", "2023-12-31 18:30", "2024-01-01 18:30"),
        # Clocks moved by half an hour: the hour is as much longer or shorter.
        ("Australia/Lord_Howe", HOUR, "2024-04-06 14:10", "2024-04-06 14:00", "2024-04-06 15:30"),
        ("Australia/Lord_Howe", HOUR, "2024-04-06 15:10", "2024-04-06 14:00", "2024-04-06 15:30"),
        ("Australia/Lord_Howe", HOUR, "2024-10-05 15:45", "2024-10-05 14:30", "2024-10-05 16:00"),
        ("Australia/Lord_Howe", DAY, "2024-04-07 00:00", "2024-04-06 13:00", "2024-04-07 13:30"),
        ("Asia/Pyongyang", HOUR, "2018-05-04 14:45", "2018-05-04 14:30", "2018-05-04 15:00"),
        ("Asia/Pyongyang", HOUR, "2018-05-04 14:20", "2018-05-04 13:30", "2018-05-04 14:30"),
    ],
)
def test_periods_begin_and_end_by_the_clocks_on_the_wall(zone, period, within, start, end):
    found = [shown(of(period, ms(within), ZoneInfo(zone))) for of in (start_of, next_start)]
    assert found == [start, end]


@settings(max_examples=300, deadline=None)
@given(
    st.sampled_from(ODD_ZONES),
    st.sampled_from(Period),
    st.integers(ms("2011-06-01 00:00"), ms("2030-01-01 00:00")),
)
def test_periods_follow_one_another_without_gap_or_overlap(name, period, instant):
    zone = ZoneInfo(name)
    start, end = start_of(period, instant, zone), next_start(period, instant, zone)
    assert start <= instant < end
    assert start_of(period, start, zone) == start_of(period, end - 1, zone) == start
    assert start_of(period, end, zone) == end
    assert next_start(period, start, zone) == next_start(period, end - 1, zone) == end


@pytest.mark.parametrize("name", ODD_ZONES)
def test_every_hour_lies_within_one_day(name):
    zone = ZoneInfo(name)
    for moved in ("2011-12-30", "2018-05-04", "2018-11-04", "2024-04-07", "2024-10-27"):
        hour, last = start_of(HOUR, ms(f"{moved} 00:00"), zone), ms(f"{moved} 00:00") + 48 * HOUR_MS
        while hour < last:
            end = next_start(HOUR, hour, zone)
            assert start_of(DAY, hour, zone) == start_of(DAY, end - 1, zone)
            hour = end


# What totals come to. A sample is (instant, total) or (instant, total, seconds that it lacks).


def value(utc_ms, number, reason=Reason.OK, monotonic=None):
    return Value(utc_ms, utc_ms / 1000 if monotonic is None else monotonic, number, reason)


def book(totals, *samples):
    closed = []
    for at, total, *missing in samples:
        closed += totals.take(value(ms(at), total), *missing)
    return closed


def hourly():
    return PeriodTotals(HOUR, DENVER, sample_s=900)


def brief(closed):
    return [(shown(one.end_ms)[11:], one.amount, one.reason) for one in closed]


def test_a_period_comes_to_what_the_total_grew_by():
    closed = book(
        hourly(),
        ("2024-05-01 10:00", 100.0),
        ("2024-05-01 10:30", 103.0),
        ("2024-05-01 11:00", 104.0),
        ("2024-05-01 11:30", 104.0),
        ("2024-05-01 12:00", 110.0),
    )
    assert closed == [
        Closed(ms("2024-05-01 10:00"), ms("2024-05-01 11:00"), 4.0, Reason.OK),
        Closed(ms("2024-05-01 11:00"), ms("2024-05-01 12:00"), 6.0, Reason.OK),
    ]


def test_between_two_samples_the_total_grows_in_a_straight_line():
    closed = book(
        hourly(), ("2024-05-01 10:00", 0.0), ("2024-05-01 10:50", 5.0), ("2024-05-01 11:10", 9.0)
    )
    assert brief(closed) == [("11:00", 7.0, Reason.OK)]


def test_counting_that_begins_in_its_course_makes_it_part_of_a_period():
    closed = book(
        hourly(), ("2024-05-01 10:15", 0.0), ("2024-05-01 11:00", 3.0), ("2024-05-01 12:00", 7.0)
    )
    assert [(amount, reason) for _, amount, reason in brief(closed)] == [
        (3.0, Reason.PART_OF_PERIOD),
        (4.0, Reason.OK),
    ]


def test_a_gap_is_shared_out_by_time_and_both_its_ends_are_estimated():
    closed = book(
        hourly(),
        ("2024-05-01 10:00", 0.0),
        ("2024-05-01 10:30", 3.0),
        ("2024-05-01 12:30", 15.0),
        ("2024-05-01 13:00", 16.0),
        ("2024-05-01 14:00", 17.0),
    )
    assert brief(closed) == [
        ("11:00", 6.0, Reason.ESTIMATED),
        ("12:00", 6.0, Reason.ESTIMATED),
        ("13:00", 4.0, Reason.ESTIMATED),
        ("14:00", 1.0, Reason.OK),
    ]


def test_one_missing_sample_is_no_gap():
    closed = book(hourly(), ("2024-05-01 10:00", 0.0), ("2024-05-01 10:45", 3.0),
                  ("2024-05-01 11:15", 5.0))  # fmt: skip
    assert brief(closed) == [("11:00", 4.0, Reason.OK)]


def test_two_missing_samples_are_a_gap():
    closed = book(hourly(), ("2024-05-01 10:00", 0.0), ("2024-05-01 10:30", 3.0),
                  ("2024-05-01 11:15", 6.0))  # fmt: skip
    assert brief(closed) == [("11:00", 5.0, Reason.ESTIMATED)]


def test_a_doubt_that_comes_up_at_the_boundary_is_one_about_the_period_before():
    totals = hourly()
    book(totals, ("2024-05-01 10:00", 0.0))
    closed = totals.take(value(ms("2024-05-01 11:00"), 1.0, Reason.COUNTER_RESET))
    closed += book(totals, ("2024-05-01 12:00", 2.0))
    assert brief(closed) == [("11:00", 1.0, Reason.COUNTER_RESET), ("12:00", 1.0, Reason.OK)]


def test_a_gap_that_ends_at_the_boundary_leaves_nothing_to_estimate():
    closed = book(hourly(), ("2024-05-01 10:00", 0.0), ("2024-05-01 11:00", 5.0),
                  ("2024-05-01 12:00", 6.0))  # fmt: skip
    assert brief(closed) == [("11:00", 5.0, Reason.OK), ("12:00", 1.0, Reason.OK)]


def test_a_total_that_lacks_something_marks_the_periods_in_which_it_came_to_lack_it():
    closed = book(
        hourly(),
        ("2024-05-01 10:00", 0.0, 50.0),  # of old
        ("2024-05-01 11:00", 1.0, 50.0),
        ("2024-05-01 11:30", 2.0, 70.0),
        ("2024-05-01 12:00", 3.0, 70.0),
        ("2024-05-01 12:45", 4.0, 70.0),
        ("2024-05-01 13:15", 5.0, 80.0),  # on either side of the boundary, nobody knows which
        ("2024-05-01 14:00", 6.0, 80.0),
        ("2024-05-01 15:00", 7.0, 80.0),
    )
    assert [reason for _, _, reason in brief(closed)] == [
        Reason.OK, Reason.GAP_IN_TOTAL, Reason.GAP_IN_TOTAL, Reason.GAP_IN_TOTAL, Reason.OK,
    ]  # fmt: skip


def test_what_a_total_has_lacked_since_long_ago_is_no_doubt_about_this_period():
    totals = hourly()
    totals.take(value(ms("2024-05-01 10:00"), 0.0, Reason.GAP_IN_TOTAL), 50.0)
    closed = totals.take(value(ms("2024-05-01 11:00"), 1.0, Reason.GAP_IN_TOTAL), 50.0)
    assert brief(closed) == [("11:00", 1.0, Reason.OK)]


def test_a_doubt_about_the_total_is_one_about_the_period_it_came_up_in():
    totals = hourly()
    book(totals, ("2024-05-01 10:00", 0.0))
    totals.take(value(ms("2024-05-01 10:30"), 1.0, Reason.COUNTER_RESET))
    closed = book(totals, ("2024-05-01 11:00", 2.0), ("2024-05-01 12:00", 3.0))
    assert brief(closed) == [("11:00", 2.0, Reason.COUNTER_RESET), ("12:00", 1.0, Reason.OK)]


def test_samples_without_a_number_are_passed_over():
    totals = hourly()
    assert totals.take(value(ms("2024-05-01 10:00"), None, Reason.NO_REPLY)) == []
    assert totals.state() is None
    book(totals, ("2024-05-01 10:00", 0.0))
    assert totals.take(value(ms("2024-05-01 11:00"), None, Reason.NO_REPLY)) == []
    assert brief(book(totals, ("2024-05-01 11:30", 3.0))) == [("11:00", 2.0, Reason.ESTIMATED)]


def test_a_total_that_is_counted_anew_keeps_what_was_booked():
    closed = book(
        hourly(),
        ("2024-05-01 10:00", 500.0),
        ("2024-05-01 10:30", 503.0),
        ("2024-05-01 10:45", 0.0),  # set to nought by hand
        ("2024-05-01 11:00", 2.0),
    )
    assert brief(closed) == [("11:00", 5.0, Reason.OK)]


def test_a_clock_set_back_by_little_is_waited_for():
    totals = hourly()
    book(totals, ("2024-05-01 10:00", 0.0), ("2024-05-01 10:50", 10.0))
    back = 1200.0
    earlier, later = ms("2024-05-01 10:40"), ms("2024-05-01 11:10")
    assert totals.take(value(earlier, 12.0, monotonic=earlier / 1000 + back)) == []
    closed = totals.take(value(later, 14.0, monotonic=later / 1000 + back))
    assert brief(closed) == [("11:00", pytest.approx(12.0 + 2.0 * 20 / 30), Reason.OK)]


def test_a_clock_set_forward_loses_nothing():
    totals = hourly()
    book(totals, ("2024-05-01 10:00", 0.0), ("2024-05-01 10:30", 3.0))
    closed = book(totals, ("2024-05-01 15:45", 4.0), ("2024-05-01 16:00", 6.0))
    assert sum(one.amount for one in closed) == pytest.approx(6.0)
    assert {reason for *_, reason in brief(closed)} == {Reason.ESTIMATED}


@pytest.mark.parametrize("hours", [-5, 24 * 365 * 54])
def test_after_a_clock_was_set_booking_begins_anew(hours):
    totals = hourly()
    book(totals, ("2024-05-01 10:00", 0.0), ("2024-05-01 10:30", 3.0))
    shift = hours * HOUR_MS
    true = ms("2024-05-01 10:45")
    assert totals.take(value(true + shift, 4.0, monotonic=true / 1000)) == []
    true = ms("2024-05-01 11:00")
    assert totals.take(value(true + shift, 6.0, monotonic=true / 1000)) == [
        Closed(true + shift - HOUR_MS, true + shift, 2.0, Reason.PART_OF_PERIOD)
    ]


def test_after_a_restart_only_a_clock_set_back_is_known_for_one():
    kept = hourly()
    book(kept, ("2024-05-01 10:00", 0.0), ("2024-05-01 10:30", 3.0))
    forward, back = hourly(), hourly()
    for totals in (forward, back):
        totals.restore(kept.state())
    later = value(ms("2024-05-01 12:30"), 15.0, monotonic=7.0)
    assert [reason for *_, reason in brief(forward.take(later))] == [Reason.ESTIMATED] * 2
    earlier = value(ms("2024-05-01 08:15"), 15.0, monotonic=7.0)
    assert back.take(earlier) == []
    assert back.state()["open"]["reason"] == Reason.PART_OF_PERIOD.code


def test_after_a_gap_of_a_year_booking_ends_somewhere_and_begins_anew():
    totals = hourly()
    closed = book(totals, ("2023-05-01 10:00", 0.0), ("2024-05-01 10:15", 3.0))
    assert len(closed) == 1000
    assert closed[0].start_ms == ms("2023-05-01 10:00")
    assert brief(book(totals, ("2024-05-01 11:00", 4.0))) == [("11:00", 1.0, Reason.PART_OF_PERIOD)]


def test_a_day_of_25_hours_comes_to_what_flowed_in_25_hours():
    totals = PeriodTotals(DAY, DENVER, sample_s=HOUR_MS / 1000)
    start = ms("2024-11-03 06:00")
    closed = []
    for hour in range(25 + 24 + 1):
        closed += totals.take(value(start + hour * HOUR_MS, float(hour)))
    assert [one.amount for one in closed] == [25.0, 24.0]
    assert {one.reason for one in closed} == {Reason.OK}


# What was counted while the station was down.


def restarted(totals, after_outage):
    again = PeriodTotals(HOUR, DENVER, sample_s=900, after_outage=after_outage)
    again.restore(json.loads(json.dumps(totals.state())))
    return again


def before_an_outage():
    totals = hourly()
    assert book(totals, ("2024-05-01 10:00", 0.0), ("2024-05-01 10:30", 3.0)) == []
    return totals


@pytest.mark.parametrize(
    ("after_outage", "expected"),
    [
        (
            "spread",
            [
                ("11:00", 6.0, Reason.ESTIMATED),
                ("12:00", 6.0, Reason.ESTIMATED),
                ("13:00", 4.0, Reason.ESTIMATED),
                ("14:00", 1.0, Reason.OK),
            ],
        ),
        (
            "first-interval",
            [
                ("11:00", 3.0, Reason.GAP_IN_TOTAL),
                ("12:00", 0.0, Reason.GAP_IN_TOTAL),
                ("13:00", 13.0, Reason.COUNTED_WHILE_DOWN),
                ("14:00", 1.0, Reason.OK),
            ],
        ),
    ],
)
def test_where_pulses_of_an_outage_go(after_outage, expected):
    totals = restarted(before_an_outage(), after_outage)
    mark = Reason.COUNTED_WHILE_DOWN
    closed = totals.take(value(ms("2024-05-01 12:30"), 15.0, mark, monotonic=7.0))
    closed += book(totals, ("2024-05-01 13:00", 16.0), ("2024-05-01 14:00", 17.0))
    assert brief(closed) == expected


def test_an_outage_within_a_period_casts_no_doubt_on_it():
    for after_outage in ("spread", "first-interval"):
        totals = hourly()
        book(totals, ("2024-05-01 10:00", 0.0), ("2024-05-01 10:05", 3.0))
        totals = restarted(totals, after_outage)
        assert totals.take(value(ms("2024-05-01 10:50"), 9.0, Reason.COUNTED_WHILE_DOWN)) == []
        assert brief(book(totals, ("2024-05-01 11:00", 10.0))) == [("11:00", 10.0, Reason.OK)]


def test_what_was_doubtful_before_an_outage_is_so_after_it():
    totals = hourly()
    book(totals, ("2024-05-01 10:02", 0.0), ("2024-05-01 10:05", 3.0))
    totals = restarted(totals, "first-interval")
    closed = book(totals, ("2024-05-01 11:50", 9.0), ("2024-05-01 12:00", 10.0))
    assert brief(closed) == [
        ("11:00", 3.0, Reason.PART_OF_PERIOD),
        ("12:00", 7.0, Reason.COUNTED_WHILE_DOWN),
    ]


def test_an_outage_without_pulses_or_with_a_station_that_only_could_not_read_is_shared_out():
    idle = restarted(before_an_outage(), "first-interval")
    assert brief(book(idle, ("2024-05-01 11:30", 3.0))) == [("11:00", 3.0, Reason.ESTIMATED)]
    silent = restarted(before_an_outage(), "first-interval")
    book(silent, ("2024-05-01 10:31", 3.0))
    assert brief(book(silent, ("2024-05-01 11:29", 5.9))) == [
        ("11:00", pytest.approx(3.0 + 2.9 / 2), Reason.ESTIMATED)
    ]


def test_a_restart_of_no_length_changes_nothing():
    totals = restarted(before_an_outage(), "first-interval")
    assert brief(book(totals, ("2024-05-01 11:00", 5.0))) == [("11:00", 5.0, Reason.OK)]


steps = st.lists(
    st.tuples(
        st.one_of(
            st.integers(1, 60 * 24 * 20),  # any minutes
            st.sampled_from([15, 60, 60 * 24]),  # those that meet boundaries
        ),
        st.floats(0.0, 1000.0),
    ),
    min_size=1,
    max_size=25,
)
starts = st.sampled_from(
    [ms(f"{day} 00:00") for day in
     ("2024-03-08", "2024-10-30", "2018-11-01", "2011-12-28", "2024-04-04", "2018-05-01")]
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(
    starts,
    steps,
    st.sampled_from(ODD_ZONES),
    st.sampled_from(["spread", "first-interval"]),
    st.sets(st.integers(0, 24)),
)
def test_hours_add_up_to_days_and_days_to_months(start, steps, name, after_outage, restarts):
    zone = ZoneInfo(name)
    booked = {}
    for period in (HOUR, DAY, MONTH):
        totals, at, total = PeriodTotals(period, zone, 900, after_outage), start, 0.0
        booked[period] = totals.take(value(at, total))
        for index, (minutes, amount) in enumerate(steps):
            if index in restarts:
                totals.restore(json.loads(json.dumps(totals.state())))
            at, total = at + minutes * MINUTE_MS, total + amount
            booked[period] += totals.take(value(at, total))
    for whole, part in ((DAY, HOUR), (MONTH, DAY)):
        for one in booked[whole]:
            within = [p for p in booked[part]
                      if one.start_ms <= p.start_ms and p.end_ms <= one.end_ms]  # fmt: skip
            assert within[-1].end_ms == one.end_ms
            assert sum(p.amount for p in within) == pytest.approx(one.amount, abs=1e-6)


@settings(max_examples=25, deadline=None)
@given(steps, st.data())
def test_after_a_restart_it_goes_on_as_if_there_had_been_none(steps, data):
    restarted_at = data.draw(st.integers(0, len(steps) - 1))
    through, stopped = hourly(), hourly()
    at, total = ms("2024-05-01 10:10"), 0.0
    through.take(value(at, total))
    stopped.take(value(at, total))
    for index, (minutes, amount) in enumerate(steps):
        if index == restarted_at:
            kept = json.loads(json.dumps(stopped.state()))
            stopped = hourly()
            stopped.restore(kept)
        at, total = at + minutes * MINUTE_MS, total + amount
        assert stopped.take(value(at, total)) == through.take(value(at, total))
    assert stopped.state() == through.state()


# The readings.

VOLUME = Series("flow.total", UNITS["gal"], "Ash Creek 2, pumped")


def recorder(series=VOLUME, periods=(HOUR, WATER_YEAR)):
    return PeriodRecorder(series, periods, DENVER, sample_s=900)


def test_the_series_are_named_after_the_total_and_the_period():
    keep = Condense.KEEP
    assert recorder().series == (
        Series("flow.total.hour", UNITS["gal"], "Ash Creek 2, pumped, by the hour", keep),
        Series(
            "flow.total.water_year", UNITS["gal"], "Ash Creek 2, pumped, by the water year", keep
        ),
    )
    untitled = recorder(Series("flow.total", UNITS["gal"]), [DAY])
    assert [series.title for series in untitled.series] == ["by the day"]


def test_a_reading_bears_the_instant_at_which_its_period_ended():
    totals = recorder()
    end = ms("2024-10-01 06:00")
    assert totals.take(value(end - HOUR_MS, 10.0), 0.0) == []
    assert totals.take(value(end, 12.5), 0.0) == [
        Reading("flow.total.hour", end, 2.5, Reason.OK),
        Reading("flow.total.water_year", end, 2.5, Reason.PART_OF_PERIOD),
    ]


def test_a_reading_has_a_number_unless_its_reason_is_bad():
    totals = recorder(periods=[HOUR])
    start = ms("2024-05-01 10:00")
    totals.take(value(start, 1.0), 0.0)
    (reading,) = totals.take(value(start + HOUR_MS, 2.0, Reason.STUCK), 9.0)
    assert (reading.value, reading.reason.quality) == (1.0, Quality.UNCERTAIN)


def test_a_recorder_goes_on_after_a_restart():
    before, after = recorder(), recorder()
    start = ms("2024-05-01 10:00")
    before.take(value(start, 1.0), 0.0)
    after.restore(json.loads(json.dumps(before.state())))
    (reading,) = after.take(value(start + HOUR_MS, 4.0), 0.0)
    assert reading == Reading("flow.total.hour", start + HOUR_MS, 3.0, Reason.OK)


def test_a_recorder_that_has_seen_nothing_has_nothing_to_remember():
    fresh = recorder()
    assert fresh.state() == {"flow.total.hour": None, "flow.total.water_year": None}
    fresh.restore(fresh.state())
    fresh.restore({})
    assert fresh.take(value(ms("2024-05-01 10:00"), 1.0), 0.0) == []
