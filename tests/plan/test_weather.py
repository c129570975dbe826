"""Years from monthly figures, held against measured years."""

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from edge.plan.sun import Place, Plane, Sky, by_month
from edge.plan.weather import clearness_at, mean_year, random_days, random_years
from tests.plan.weather_files import MEASURED, measured_year

FLAT = [0.5] * 12
MILD = [10.0] * 12


def clearness_of(weather):
    """Return the clearness of every month and of every day."""
    light, outside = weather.light.level, np.tile(weather.sky.level_outside, weather.years)
    month = np.tile(weather.sky.month, weather.years)
    months = [light[month == m].sum() / outside[month == m].sum() for m in range(12)]
    days = light.reshape(-1, 24).sum(axis=1) / outside.reshape(-1, 24).sum(axis=1)
    return months, days


def spread(days, month):
    return np.mean([days[month == m].std() for m in range(12)])


def persistence(days, month):
    """Return the correlation with the day before of clearness made normal month by month."""
    normal = np.zeros(len(days))
    for m in range(12):
        mine = np.flatnonzero(month == m)
        rank = days[mine].argsort().argsort()
        normal[mine] = norm.ppf((rank + 0.5) / len(mine))
    return np.corrcoef(normal[1:], normal[:-1])[0, 1]


@pytest.mark.parametrize("name", MEASURED)
def test_the_clearness_of_a_measured_year_gives_back_its_light(name):
    measured = measured_year(name)
    months, _ = clearness_of(measured)
    mean = mean_year(measured.sky, months, by_month(measured.sky, measured.celsius))
    assert by_month(mean.sky, mean.light.level) == pytest.approx(
        by_month(measured.sky, measured.light.level)
    )
    assert by_month(mean.sky, mean.celsius) == pytest.approx(
        by_month(measured.sky, measured.celsius), abs=0.05
    )


@pytest.mark.parametrize("name", MEASURED)
@pytest.mark.parametrize("kind", ["mean", "random"])
def test_light_in_a_tilted_plane_is_that_of_the_measured_year(name, kind):
    measured = measured_year(name)
    months, celsius = clearness_of(measured)[0], by_month(measured.sky, measured.celsius)
    made = (
        mean_year(measured.sky, months, celsius)
        if kind == "mean"
        else random_years(measured.sky, months, celsius, 10, seed=1)
    )
    plane = Plane(measured.sky.place.latitude, 180)

    def in_plane(weather):
        return np.array(by_month(weather.sky, weather.sky.in_plane(weather.light, plane, 0.2)))

    ratio = in_plane(made) / in_plane(measured)
    assert in_plane(made).sum() == pytest.approx(in_plane(measured).sum(), rel=0.06)
    assert ratio.min() > 0.83
    assert ratio.max() < 1.18


def test_days_wander_as_measured_days_do():
    found, made = [], []
    for name in MEASURED:
        measured = measured_year(name)
        months, days = clearness_of(measured)
        month = measured.sky.month[::24]
        random = random_days(months, month, 20, seed=2)
        found.append(persistence(days, month))
        made.append(persistence(random, np.tile(month, 20)))
        # Typical years are put together of months that are like the mean, and spread less.
        assert 1.0 < spread(random, np.tile(month, 20)) / spread(days, month) < 1.65, name
    assert made == pytest.approx(found, abs=0.07)


def strays(celsius, month):
    days = celsius.reshape(-1, 24).mean(axis=1)
    for m in range(12):
        days[month == m] -= days[month == m].mean()
    return days


@pytest.mark.parametrize("name", MEASURED)
def test_cold_spells_come_as_in_measured_years(name):
    measured = measured_year(name)
    months, celsius = clearness_of(measured)[0], by_month(measured.sky, measured.celsius)
    drawn = random_years(measured.sky, months, celsius, 10, seed=1)
    month = measured.sky.month[::24]
    found, made = strays(measured.celsius, month), strays(drawn.celsius, np.tile(month, 10))
    winter = np.isin(month, [11, 0, 1])
    assert 0.6 < made.std() / found[winter].std() < 1.5
    assert np.corrcoef(made[1:], made[:-1])[0, 1] == pytest.approx(
        np.corrcoef(found[1:], found[:-1])[0, 1], abs=0.12
    )
    # Ten years are at least nearly as cold as one that is typical.
    assert drawn.celsius.min() < measured.celsius.min() + 2


def test_random_years_keep_the_monthly_means():
    sky = Sky(Place(45.0))
    months, _ = clearness_of(random_years(sky, FLAT, MILD, 60, seed=3))
    assert months == pytest.approx(FLAT, abs=0.02)


def test_random_years_are_the_same_for_one_seed():
    sky = Sky(Place(45.0))
    one, same, other = (random_years(sky, FLAT, MILD, 2, seed) for seed in (5, 5, 6))
    assert one.light.level.tolist() == same.light.level.tolist()
    assert one.light.level.tolist() != other.light.level.tolist()
    assert one.years == 2
    assert "seed 5" in one.source


@settings(max_examples=50, deadline=None)
@example(0.34065)
@given(st.floats(0.005, 0.85))
def test_the_distribution_of_clearness_has_its_mean_and_bounds(mean):
    places = (np.arange(4000) + 0.5) / 4000
    days = clearness_at(mean, places)
    assert days.mean() == pytest.approx(mean, rel=0.01)
    assert days.min() >= 0
    assert days.max() < 0.9
    assert (np.diff(days) >= 0).all()


def test_afternoons_are_the_warmest():
    sky = Sky(Place(45.0, 7.5))
    warmth = mean_year(sky, FLAT, MILD).celsius.reshape(-1, 24)
    assert set(warmth.argmax(axis=1)) <= {14, 15}
    assert warmth.mean() == pytest.approx(10)


def test_no_light_at_night_and_no_part_greater_than_the_whole():
    sky = Sky(Place(69.0, 20.0))
    for weather in (mean_year(sky, FLAT, MILD), random_years(sky, FLAT, MILD, 2, seed=1)):
        light = weather.light
        assert light.level[np.tile(sky.zenith, weather.years) > 91].max() == 0
        assert (light.scattered <= light.level + 1e-9).all()
        assert np.isfinite(light.beam).all()
        assert light.beam.min() >= 0
