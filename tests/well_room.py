"""A measuring room of a well for tests, and rounds of samples for it."""

import json
from zoneinfo import ZoneInfo

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
from edge.readings import Sample, Series
from edge.status import Reason
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
