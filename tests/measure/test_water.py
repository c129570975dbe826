import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.measure import water
from edge.status import Reason
from edge.units import Dimension, parse

DENSITIES = st.floats(900, 1100)
GRAVITIES = st.floats(9.7, 9.9)
PRESSURES = st.floats(-1e5, 1e7)
DEPTHS = st.floats(-100, 1000)


def si(text, dimension):
    return parse(text, dimension).value


def test_water_is_densest_just_below_4_degrees():
    warmths = [t / 100 for t in range(4001)]
    assert max(warmths, key=water.density) == 3.98


def test_fresh_water_is_what_no_salinity_given_means():
    assert water.density(12.0) == water.density(12.0, 0.0)


@given(st.floats(0, 40), st.floats(0, 41), st.floats(0.01, 1))
def test_salt_makes_water_heavier(temperature, salinity, more):
    assert water.density(temperature, salinity) < water.density(temperature, salinity + more)


@pytest.mark.parametrize("salinity", [-0.1, 42.1, float("nan")])
def test_a_salinity_no_formula_covers_is_refused(salinity):
    with pytest.raises(ValueError, match="salinity"):
        water.density(10.0, salinity)


@pytest.mark.parametrize(
    ("temperature", "held_at", "reason"),
    [
        (-0.1, 0.0, Reason.WATER_TOO_COLD),
        (0.0, 0.0, Reason.OK),
        (40.0, 40.0, Reason.OK),
        (40.1, 40.0, Reason.WATER_TOO_WARM),
        # A pole of the formula, and what a broken thermometer may say.
        (-69.34881, 0.0, Reason.WATER_TOO_COLD),
        (850.0, 40.0, Reason.WATER_TOO_WARM),
    ],
)
def test_density_is_held_outside_its_range_and_says_so(temperature, held_at, reason):
    assert water.density(temperature, 5.0) == water.density(held_at, 5.0)
    assert water.judge_temperature(temperature) is reason


@given(st.floats(-90, 90), st.floats(0, 9000))
def test_gravity_falls_with_height_and_is_the_same_on_both_hemispheres(latitude, elevation):
    there = water.gravity(latitude, elevation)
    assert there == water.gravity(-latitude, elevation)
    assert water.gravity(latitude, elevation + 10) < there
    assert 9.75 < there < 9.8322


@given(st.floats(0, 89))
def test_gravity_grows_towards_the_pole(latitude):
    assert water.gravity(latitude) < water.gravity(latitude + 1)


def test_standard_gravity_lies_near_45_degrees():
    assert water.gravity(45.0) < water.STANDARD_GRAVITY < water.gravity(46.0)


@pytest.mark.parametrize("latitude", [-90.1, 91.0, float("nan")])
def test_a_latitude_beyond_the_poles_is_refused(latitude):
    with pytest.raises(ValueError, match="latitude"):
        water.gravity(latitude)


@given(PRESSURES, DENSITIES, GRAVITIES)
def test_pressure_undoes_submergence(gauge, density, gravity):
    height = water.submergence(gauge, density, gravity)
    assert water.pressure(height, density, gravity) == pytest.approx(gauge, rel=1e-12)


def test_from_an_absolute_pressure_to_the_elevation_of_the_water():
    # Ash Creek, well 2, in cold water 5680 ft up; every step by hand with a pocket calculator:
    # 999.7027 kg/m3 times 9.796143 m/s2 is 9793.23 Pa/m.
    density = water.density(10.0)
    gravity = water.gravity(39.76, si("5680 ft", Dimension.LENGTH))
    gauge = water.gauge_pressure(absolute=si("380 kPa", Dimension.PRESSURE), barometer=82_500.0)
    assert gauge == 297_500.0
    submerged = water.submergence(gauge, density, gravity)
    assert submerged == pytest.approx(30.3781, abs=5e-5)
    depth = water.depth_to_water(si("200 ft", Dimension.LENGTH), submerged)
    assert depth == pytest.approx(60.96 - 30.3781, abs=5e-5)
    top = si("5681.2 ft", Dimension.LENGTH)
    assert water.elevation(top, depth) == pytest.approx(1731.62976 - 30.5819, abs=1e-4)


def test_water_above_the_measuring_point_has_a_negative_depth():
    assert water.depth_to_water(10.0, 12.5) == -2.5
    assert water.elevation(100.0, -2.5) == 102.5


def test_a_vacuum_is_a_negative_submergence():
    assert water.submergence(-100.0, 1000.0, 10.0) == -0.01


def test_rising_air_pressure_had_pushed_the_water_down():
    # 1 kPa more than the reference is 0.1 m of water, of which the efficiency takes half.
    assert water.barometric_correction(20.0, 85e3, 84e3, 0.5, 1000.0, 10.0) == pytest.approx(19.95)
    assert water.barometric_correction(20.0, 83e3, 84e3, 0.5, 1000.0, 10.0) == pytest.approx(20.05)


@given(DEPTHS, st.floats(5e4, 1.1e5), st.floats(5e4, 1.1e5), DENSITIES, GRAVITIES)
def test_a_well_with_no_barometric_efficiency_needs_no_correction(depth, air, reference, rho, g):
    assert water.barometric_correction(depth, air, reference, 0.0, rho, g) == depth


@given(st.floats(10, 50), st.floats(7e4, 1.1e5), st.floats(7e4, 1.1e5), st.floats(0, 1))
def test_a_steady_aquifer_gives_one_corrected_depth_whatever_the_air(depth, air, reference, share):
    # The well as Jacob has it: the depth grows by the efficiency times the rise as water.
    moved = depth + share * (air - reference) / (999.7 * 9.8)
    corrected = water.barometric_correction(moved, air, reference, share, 999.7, 9.8)
    assert corrected == pytest.approx(depth, abs=1e-9)


def test_specific_capacity_of_a_pumped_well():
    # A driller's textbook well: 20 gpm at 40 ft of drawdown are 0.5 gpm a foot.
    rest, pumped = si("60 ft", Dimension.LENGTH), si("100 ft", Dimension.LENGTH)
    drawn = water.drawdown(pumped, rest)
    assert drawn == pytest.approx(si("40 ft", Dimension.LENGTH))
    capacity = water.specific_capacity(si("20 gpm", Dimension.FLOW), drawn)
    half = si("0.5 gpm", Dimension.FLOW) / si("1 ft", Dimension.LENGTH)
    assert capacity == pytest.approx(half)


@pytest.mark.parametrize("drawdown", [0.0, -0.3])
def test_there_is_no_specific_capacity_without_drawdown(drawdown):
    with pytest.raises(ValueError, match="drawdown"):
        water.specific_capacity(0.001, drawdown)
