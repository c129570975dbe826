"""Where the sun stands, and the light in a plane."""

import numpy as np
import pandas as pd
import pvlib
import pytest

from edge.plan.sun import Light, Place, Plane, Sky, by_month, sun_at
from tests.plan.weather_files import MEASURED, measured_year, read_directly


def test_the_worked_example_of_the_solar_position_algorithm():
    # Reda and Andreas, Solar Position Algorithm for Solar Radiation Applications,
    # NREL/TP-560-34302, table A5.1: topocentric zenith 50.11162 deg, azimuth 194.34024 deg.
    at = pd.DatetimeIndex(["2003-10-17 12:30:30-07:00"])
    place = Place(39.742476, -105.1786, 1830.14)
    position = sun_at(at, place, pascals=82000, celsius=11).iloc[0]
    assert position["apparent_zenith"] == pytest.approx(50.11162, abs=2e-4)
    assert position["azimuth"] == pytest.approx(194.34024, abs=2e-4)


@pytest.mark.parametrize("name", MEASURED)
@pytest.mark.parametrize("plane", [Plane(0, 180), Plane(45, 180), Plane(60, 150)])
def test_light_in_a_plane_of_measured_years(name, plane):
    # Against pvlib used directly, with the stamps of the file moved to the middle of the hour.
    table, location, times = read_directly(name)
    sun = location.get_solarposition(times)
    fallen = pvlib.irradiance.get_total_irradiance(
        plane.tilt,
        plane.azimuth,
        sun["apparent_zenith"].to_numpy(),
        sun["azimuth"].to_numpy(),
        table["dni"].to_numpy(),
        table["ghi"].to_numpy(),
        table["dhi"].to_numpy(),
        dni_extra=pvlib.irradiance.get_extra_radiation(times.day_of_year.to_numpy()),
        albedo=0.2,
        model="haydavies",
    )["poa_global"]
    expected = pd.Series(np.nan_to_num(fallen), index=times).groupby(times.month).mean()
    weather = measured_year(name)
    found = by_month(weather.sky, weather.sky.in_plane(weather.light, plane, 0.2))
    assert found == pytest.approx(expected.tolist(), rel=0.005)


def test_a_level_plane_gets_what_falls_on_level_ground():
    weather = measured_year("723170TYA")
    level = weather.sky.in_plane(weather.light, Plane(0, 180), 0.2)
    # Hours at the horizon are left to the models: they are few watts.
    assert level.sum() == pytest.approx(weather.light.level.sum(), rel=0.01)


def test_polar_night_and_polar_day():
    sky = Sky(Place(70.0, 20.0))
    light = Light(sky.level_outside, sky.beam_outside * 0, sky.level_outside)
    months = by_month(sky, sky.in_plane(light, Plane(70, 180), 0.2))
    assert months[11] == pytest.approx(0, abs=0.5)
    assert sky.sunset_angle.min() == 0
    assert sky.sunset_angle.max() == pytest.approx(np.pi)
    assert Place(70.0).is_polar
    assert not Place(64.0).is_polar


@pytest.mark.parametrize("longitude", [-170.0, -105.2, 0.0, 11.0, 178.0])
def test_a_day_of_light_lies_within_a_day_of_the_sky(longitude):
    sky = Sky(Place(40.0, longitude))
    noon = sky.level_outside.reshape(-1, 24).argmax(axis=1)
    assert set(noon) <= {11, 12}


def test_the_south_has_its_summer_in_january():
    months = by_month(Sky(Place(-40.0)), Sky(Place(-40.0)).level_outside)
    assert max(range(12), key=months.__getitem__) in {0, 11}
