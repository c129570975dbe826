import json

import pytest

from edge.measure import water
from edge.measure.levels import BarometricallyCorrected, Drawdown, Medium, WaterLevel, Well
from edge.measure.values import Value
from edge.measure.visits import Corrections, Visit
from edge.readings import Series
from edge.status import Reason
from edge.units import UNITS

FRESH = Medium(temperature=10.0, salinity=0.0, gravity=9.80665)
# Kell (1975), as steam tables have it: water at 10 °C weighs 999.70 kg/m³, at 30 °C 995.65.
AT_10, AT_30 = 999.70 * 9.80665, 995.65 * 9.80665
DAY = 86_400_000


def at(seconds, number, reason=Reason.OK):
    return Value(round(seconds * 1000), float(seconds), number, reason)


def well(*inputs, medium=FRESH, transducer=50.0, point=1700.0, corrections=None, **more):
    place = Well(transducer, point, corrections)
    return WaterLevel("well", inputs or ("p",), UNITS["ft"], place, medium, **more)


def numbers(channel, *inputs):
    values = channel.compute(*(at(0, number) for number in inputs))
    return [value.number for value in values]


def reasons(channel, *inputs):
    return [value.reason for value in channel.compute(*inputs)]


def named(steps):
    return {step.name: step.number for step in steps}


def test_from_a_gauge_pressure_to_the_level():
    submergence, depth, elevation = numbers(well(title="Well"), 20 * AT_10)
    assert submergence == pytest.approx(20.0, rel=1e-5)
    assert depth == pytest.approx(30.0, rel=1e-5)
    assert elevation == pytest.approx(1670.0, rel=1e-6)
    assert [(one.name, one.title) for one in well(title="Well").series] == [
        ("well.submergence", "Well, submergence"),
        ("well.depth_to_water", "Well, depth to water"),
        ("well.elevation", "Well, elevation"),
    ]


def test_an_absolute_pressure_is_taken_less_that_of_the_air():
    channel = well("p", "air", absolute=True)
    assert numbers(channel, 20 * AT_10 + 83_000, 83_000.0)[0] == pytest.approx(20.0, rel=1e-5)


def test_a_thermometer_says_how_dense_the_water_is():
    assert numbers(well("p", "t", thermometer=True), 20 * AT_30, 30.0)[0] == pytest.approx(
        20.0, rel=1e-5
    )
    both = well("p", "air", "t", absolute=True, thermometer=True)
    assert numbers(both, 20 * AT_30 + 83_000, 83_000.0, 30.0)[0] == pytest.approx(20.0, rel=1e-5)


def test_salt_makes_the_same_pressure_less_water():
    salty = well(medium=Medium(10.0, 35.0, 9.80665))
    fresh, salt = numbers(well(), 20 * AT_10)[0], numbers(salty, 20 * AT_10)[0]
    # UNESCO 1983, the international equation of state of sea water: S = 35 and t = 10 °C give
    # 1026.952 kg/m³.
    assert fresh / salt == pytest.approx(1026.952 / 999.70, rel=2e-5)


def test_without_the_depth_of_the_transducer_nothing_but_the_submergence_is_known():
    channel = well(transducer=None)
    assert [one.name for one in channel.series] == ["well.submergence"]
    assert numbers(channel, 20 * AT_10) == [pytest.approx(20.0, rel=1e-5)]


def test_without_a_measuring_point_there_is_no_elevation():
    assert [one.name for one in well(point=None).series] == [
        "well.submergence",
        "well.depth_to_water",
    ]
    assert numbers(well(point=None), 0.0) == [0.0, 50.0]


def test_from_a_submergence_the_depth_alone_is_new():
    channel = well("level", medium=None)
    assert [one.name for one in channel.series] == ["well.depth_to_water", "well.elevation"]
    assert numbers(channel, 20.0) == [30.0, 1670.0]
    assert reasons(channel, at(0, -0.1)) == [Reason.TRANSDUCER_DRY] * 2


def test_a_well_of_which_nothing_would_be_known_is_refused():
    with pytest.raises(ValueError, match="nothing to compute"):
        well("level", medium=None, transducer=None)


def test_hand_measurements_correct_the_depth_and_not_the_submergence():
    corrections = Corrections([Visit(0, 0.0), Visit(10 * DAY, 1.0)])
    channel = well(corrections=corrections)
    values = channel.compute(Value(5 * DAY, 0.0, 20 * AT_10))
    assert [value.number for value in values] == [
        pytest.approx(20.0, rel=1e-5),
        pytest.approx(30.5, rel=1e-5),
        pytest.approx(1669.5, rel=1e-6),
    ]
    steps = named(channel.explain(Value(5 * DAY, 0.0, 20 * AT_10)))
    assert steps["correction by hand measurement"] == 0.5
    assert list(steps)[-3:] == ["submergence", "depth to water", "elevation"]


def test_water_below_the_transducer_and_water_of_odd_temperature_are_doubted():
    channel = well("p", "t", thermometer=True)
    assert reasons(channel, at(0, -1.0), at(0, 10.0)) == [Reason.TRANSDUCER_DRY] * 3
    assert reasons(channel, at(0, 1.0), at(0, -0.1)) == [Reason.WATER_TOO_COLD] * 3
    assert reasons(channel, at(0, 1.0), at(0, 40.1)) == [Reason.WATER_TOO_WARM] * 3
    assert reasons(channel, at(0, 0.0), at(0, 40.0)) == [Reason.OK] * 3


def test_what_is_wrong_with_any_input_is_wrong_with_the_level():
    channel = well("p", "air", absolute=True)
    silent = at(0, None, Reason.SILENT)
    assert reasons(channel, at(0, 2e5), silent) == [Reason.SILENT] * 3
    assert reasons(channel, at(0, 2e5, Reason.STUCK), silent) == [Reason.SILENT] * 3
    assert reasons(channel, at(0, 2e5), at(0, 8e4, Reason.STUCK)) == [Reason.STUCK] * 3
    assert channel.explain(at(0, 2e5), silent) == []
    assert channel.state() is None
    assert channel.missing == 0


def test_the_steps_to_the_level():
    channel = well("p", "air", absolute=True)
    steps = channel.explain(at(0, 20 * AT_10 + 83_000), at(0, 83_000.0))
    assert named(steps) == {
        "gauge pressure": pytest.approx(20 * AT_10),
        "water temperature": 10.0,
        "water density": pytest.approx(999.70, abs=0.005),
        "gravity": 9.80665,
        "submergence": pytest.approx(20.0, rel=1e-5),
        "depth to water": pytest.approx(30.0, rel=1e-5),
        "elevation": pytest.approx(1670.0, rel=1e-6),
    }
    assert steps[-1].unit is UNITS["ft"]


# --- the pressure of the air


def test_a_rise_of_the_air_pressure_is_taken_off_again():
    channel = BarometricallyCorrected(
        Series("corrected", UNITS["m"]),
        ("well.depth_to_water", "air"),
        efficiency=0.5,
        reference=83_000.0,
        medium=FRESH,
    )
    # 1 m of water's weight more air pushes the water down by half a metre.
    assert numbers(channel, 30.5, 83_000 + AT_10) == [pytest.approx(30.0, rel=1e-5)]
    assert numbers(channel, 30.0, 83_000.0) == [30.0]
    assert named(channel.explain(at(0, 30.0), at(0, 83_000.0))) == {"corrected": 30.0}


# --- drawdown


def drawdown(rest=None):
    inputs = ("depth",) if rest is not None else ("depth", "pump")
    return Drawdown(Series("drawdown", UNITS["ft"]), inputs, rest)


def drawn(channel, *pairs):
    """Return the number or the reason after every (depth, whether the pump runs)."""
    values = [channel.compute(*(at(0, number) for number in pair))[0] for pair in pairs]
    return [value.reason if value.number is None else value.number for value in values]


def test_drawdown_from_a_level_at_rest_that_is_known():
    channel = drawdown(rest=30.0)
    assert drawn(channel, (30.0,), (34.5,), (29.0,)) == [0.0, 4.5, -1.0]
    assert channel.state() is None


def test_a_level_at_rest_that_is_given_is_not_learnt_over():
    channel = drawdown(rest=30.0)
    channel.restore({"rest_depth": 99.0})
    assert drawn(channel, (34.5,)) == [4.5]


def test_the_level_at_rest_is_the_last_before_the_pump_started():
    assert drawn(drawdown(), (30.0, 0.0), (31.0, 0.0), (35.0, 1.0), (36.0, 1.0), (33.0, 0.0)) == [
        0.0, 0.0, 4.0, 5.0, 0.0,
    ]  # fmt: skip


def test_until_the_pump_has_rested_there_is_none():
    channel = drawdown()
    assert drawn(channel, (35.0, 1.0)) == [Reason.NO_REST_LEVEL_YET]
    assert channel.state() is None
    assert drawn(channel, (31.0, 0.0), (35.0, 1.0)) == [0.0, 4.0]


def test_the_level_at_rest_survives_a_restart_while_the_pump_runs():
    channel = drawdown()
    drawn(channel, (31.0, 0.0), (35.0, 1.0))
    fresh = drawdown()
    fresh.restore(json.loads(json.dumps(channel.state())))
    assert drawn(fresh, (36.0, 1.0)) == [5.0]


@pytest.mark.parametrize("doubtful", [0, 1])
def test_nothing_is_learnt_from_what_is_in_doubt(doubtful):
    channel = drawdown()
    drawn(channel, (31.0, 0.0))
    inputs = [at(0, 40.0), at(0, 0.0)]
    inputs[doubtful] = at(0, inputs[doubtful].number, Reason.STUCK)
    assert channel.compute(*inputs) == (at(0, 9.0, Reason.STUCK),)
    assert drawn(channel, (35.0, 1.0)) == [4.0]


def test_nothing_is_learnt_from_bad_values():
    channel = drawdown()
    drawn(channel, (31.0, 0.0))
    channel.compute(at(0, 99.0), at(0, None, Reason.NO_REPLY))
    channel.compute(at(0, None, Reason.NO_REPLY), at(0, 0.0))
    assert drawn(channel, (35.0, 1.0)) == [4.0]


def test_looking_at_the_steps_learns_nothing():
    channel = drawdown()
    drawn(channel, (31.0, 0.0))
    channel.explain(at(0, 50.0), at(0, 1.0))
    assert drawn(channel, (35.0, 1.0)) == [4.0]
    assert named(channel.explain(at(0, 35.0), at(0, 1.0))) == {"drawdown": 4.0}
    assert drawdown().explain(at(0, 35.0), at(0, 1.0)) == []


def test_the_formulas_lead_back():
    assert water.pressure(numbers(well(), 2e5)[0], water.density(10.0), 9.80665) == pytest.approx(
        2e5
    )
