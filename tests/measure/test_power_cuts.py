"""Power cuts, and clocks that know nothing of them: what is counted, booked and remembered."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edge.measure.counter import CounterRules
from edge.measure.measured import Counted
from edge.measure.meter import Meter
from edge.measure.periods import Period, PeriodRecorder
from edge.measure.recorder import Figure, Recorder
from edge.measure.room import Room, RoomChannel
from edge.readings import Sample
from edge.status import Quality, Reason
from edge.units import UNITS
from tests.well_room import MINUTE, START, ZONE, by_series, latest, saved, take, well_station

VOLUME = 0.5  # m³ a pulse


class Station:
    """A counter that is never without power, and a station that is, now and then.

    ``committed`` is what its journal holds: what a power cut leaves of it.
    """

    def __init__(self, bits, greatest_rate):
        self.rules = CounterRules.of_bits(bits, greatest_rate)
        self.made = 0
        self.stand = self.rules.modulus - 5
        self.seconds = self.booted = 0.0  # true time
        self.behind_ms, self.timed = 0, True  # this run's UTC
        self.committed, self.committed_at = {}, 0.0
        self.committed_made, self.committed_timed = 0, True
        self.readings = []
        self.start()
        self.sample(due=True)

    def start(self):
        flow = Counted(
            "flow",
            self.rules,
            Meter(VOLUME),
            volume_unit=UNITS["m3"],
            flow_unit=UNITS["m3/min"],
            sample_s=MINUTE,
        )
        recorders = [Recorder(one, [Figure.LAST], 1, 0.75) for one in flow.series]
        booked = PeriodRecorder(flow.series[0], [Period.HOUR], ZONE, MINUTE, "first-interval")
        self.room = Room([RoomChannel("flow", flow, MINUTE, recorders, {"flow.total": booked})])
        self.room.restore(saved(self.committed))

    def run(self, seconds, share):
        """Let time pass, with that share of the pulses that can be made, and known of."""
        knows = self.timed and self.committed_timed and not self.behind_ms
        bound = self.rules.modulus if knows else self.rules.modulus // 2
        left = bound - 2 - (self.made - self.committed_made)
        pulses = int(share * max(0, min(int(self.rules.greatest_rate * seconds), left)))
        self.seconds += seconds
        self.made += pulses
        self.stand = (self.stand + pulses) % self.rules.modulus

    def outage(self, seconds, share, clock):
        """Be without power for a while; the clock is set since ("known"), or stood still.

        In that case the station knows that it does not know the time ("unknown"), or it does not
        ("lagging").
        """
        if self.made - self.committed_made >= self.rules.modulus // 2 - 2:
            clock = "known"
        since_commit_ms = round((self.seconds + seconds - self.committed_at) * 1000)
        self.behind_ms = 0 if clock == "known" else max(0, since_commit_ms - 1000)
        self.timed = clock != "unknown"
        self.run(seconds, share)
        self.booted = self.seconds - 20.0
        self.start()

    def sample(self, *, due):
        """Take a sample; return the pulses counted by now."""
        utc_ms = START + round(self.seconds * 1000) - self.behind_ms
        one = Sample("flow", utc_ms, self.seconds - self.booted, float(self.stand))
        made = self.room.take([(one, due)], timed=self.timed)
        if made.states:
            self.committed |= made.states
            self.committed_at, self.committed_made = self.seconds, self.made
            self.committed_timed = self.timed
        self.readings += made.readings
        return self.room.channels["flow"].computation.tally.pulses


passes = st.tuples(
    st.floats(1.0, 600.0), st.sampled_from([0.0, 0.3, 1.0]), st.sampled_from(["sample", "record"])
)
cuts = st.tuples(
    st.floats(1.0, 6000.0),
    st.sampled_from([0.0, 0.5, 1.0]),
    st.sampled_from(["known", "unknown", "lagging"]),
)


@pytest.mark.parametrize(("bits", "greatest_rate"), [(16, 10.0), (32, 1000.0)])
@settings(max_examples=100, deadline=None)
@given(st.lists(st.one_of(passes, cuts), min_size=1, max_size=30))
def test_no_pulse_is_lost_or_made_up_whatever_cuts_the_power(bits, greatest_rate, events):
    """Down times within a rollover; within half of one where the clock knows nothing of them."""
    world = Station(bits, greatest_rate)
    for seconds, share, event in [*events, (1.0, 1.0, "known")]:
        if event in ("sample", "record"):
            world.run(seconds, share)
        else:
            world.outage(seconds, share, event)
        assert world.sample(due=event == "record") == world.made
        total, rate = latest(world.room, "flow.total"), latest(world.room, "flow.rate")
        assert total.number == pytest.approx(world.made * VOLUME)
        if rate.number is not None:  # within a pulse a second of what the meter can
            assert rate.number / VOLUME <= greatest_rate * 1.02 + 1


def test_a_total_with_pulses_of_an_outage_is_kept_at_once():
    world = Station(16, 10.0)
    world.outage(360.0, 0.5, "unknown")
    world.sample(due=False)
    (total,) = [one for one in world.readings[2:] if one.series == "flow.total"]
    assert (total.value, total.reason) == (1800 * VOLUME, Reason.COUNTED_WHILE_DOWN)
    world.run(60.0, 0.1)
    world.sample(due=False)
    assert by_series(world.readings, "flow.total")[-1] == (1860 * VOLUME, Reason.OK)


# --- while the time is not known


def test_totals_by_period_wait_for_the_time_and_share_out_what_came_meanwhile():
    room = well_station(periods=(Period.HOUR,))
    take(room, 0, flow=0.0)
    states = take(room, 30, flow=30.0).states
    room = well_station(periods=(Period.HOUR,))
    room.restore(saved(states))
    # Three hours later: the clock stood still, and says it is half past.
    for minute in range(3):
        raw = Sample("flow", START + 1_800_001 + minute * 60_000, minute * MINUTE, 30.0 + minute)
        made = room.take([(raw, True)], timed=False)
        assert by_series(made.readings, "flow.total.hour") == []
        assert made.states["flow"]["flow.total"] == states["flow"]["flow.total"]
    # A time server is found.
    raw = Sample("flow", START + 3 * 3_600_000 + 1_800_000, 3 * MINUTE, 210.0)
    hours = by_series(room.take([(raw, True)]).readings, "flow.total.hour")
    assert hours == [
        (0.5 * (30 + 30), Reason.ESTIMATED),
        (0.5 * 60, Reason.ESTIMATED),
        (0.5 * 60, Reason.ESTIMATED),
    ]


events = st.lists(
    st.tuples(
        st.sampled_from(["sample", "sample", "record", "restart"]),
        st.integers(0, 600),  # pulses
        st.sampled_from([0.0, 1.0]),  # the pump
        # What the clock on the wall is set to: lags, leaps of decades, steps back.
        st.none()
        | st.sampled_from([-START, -86_400_000, -3_600_000, 3_600_000, 50 * 31_536_000_000]),
        st.booleans(),
    ),
    max_size=30,
)


@settings(max_examples=60, deadline=None)
@given(events)
def test_nothing_breaks_whatever_the_clock_on_the_wall_does(events):
    """Totals are right, running ones grow, and in the end all goes on as if nothing had been."""
    room, committed, made, error_ms, timed = well_station(), {}, 0, 0, True
    for minute, (event, pulses, pump, leap, known) in enumerate(events, 1):
        if leap is not None:
            error_ms, timed = leap, known
        if event == "restart":
            room = well_station()
            room.restore(saved(committed))
        made += pulses
        raw = {"level": 12.0, "flow": float(made % 65536), "contact": pump}
        samples = [
            Sample(name, START + minute * 60_000 + error_ms, minute * MINUTE, number)
            for name, number in raw.items()
        ]
        before = saved(room.states())
        round_ = room.take([(one, event != "sample") for one in samples], timed=timed)
        committed |= round_.states
        for reading in round_.readings:
            assert (reading.value is None) == (reading.reason.quality is Quality.BAD)
        if not timed:
            assert not [r for r in round_.readings if r.series.endswith((".hour", ".day"))]
        saved(room.states())
        if "channel" in before.get("pump", {}):
            grown = latest(room, "pump.run_time").number - before["pump"]["channel"]["seconds"]
            assert 0 <= grown <= 180.0
    hours = []
    for hour in range(5):
        at = (hour + 100) * 60
        made_now = take(room, at, level=12.0, flow=float(made % 65536), contact=0.0)
        hours = by_series(made_now.readings, "flow.total.hour")
    assert hours == [(0.0, Reason.OK)]
    assert latest(room, "flow.total").reason is Reason.OK
