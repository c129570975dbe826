import pandas as pd
import pvlib
import pytest

from hw_fakes.sky import Sky
from hw_fakes.well import DAY_S

MIDNIGHT = 20_000 * DAY_S  # 2024-10-04
LATITUDE, LONGITUDE = 39.76, -105.22


def noons(sky, days, start=MIDNIGHT):
    return [sky.light(start + day * DAY_S + DAY_S / 2) for day in range(days)]


def test_the_sun_is_highest_at_noon_and_down_at_night():
    sky = Sky(1, MIDNIGHT, 40.0, 0.0)
    by_hour = [sky.light(MIDNIGHT + hour * 3600) for hour in range(24)]
    assert max(by_hour) == by_hour[12] > 150
    assert by_hour[:6] == [0] * 6
    assert by_hour[18:] == [0] * 6


def test_noon_comes_six_hours_later_a_quarter_round_the_earth_to_the_west():
    sky = Sky(1, MIDNIGHT, 40.0, -90.0)
    by_hour = [sky.light(MIDNIGHT + hour * 3600) for hour in range(24)]
    assert max(by_hour) == by_hour[18]


def test_the_polar_night_is_dark():
    assert noons(Sky(1, MIDNIGHT, 78.0, 0.0), 1, MIDNIGHT + 75 * DAY_S) == [0]


@pytest.mark.parametrize("day", ["2026-03-20", "2026-06-21", "2026-10-05", "2026-12-21"])
@pytest.mark.parametrize(("tilt", "azimuth"), [(0, 180), (40, 180), (55, 180)])
def test_a_clear_day_gives_what_pvlib_says(day, tilt, azimuth, monkeypatch):
    # pvlib: its solar position, Haurwitz' clear sky, Erbs' share of diffuse light, isotropic sky.
    times = pd.date_range(f"{day} 07:00", periods=288, freq="5min", tz="UTC")
    sun = pvlib.solarposition.get_solarposition(times, LATITUDE, LONGITUDE)
    level = pvlib.clearsky.haurwitz(sun.apparent_zenith).ghi
    split = pd.DataFrame(pvlib.irradiance.erbs(level, sun.zenith, times.day_of_year))
    expected = pvlib.irradiance.get_total_irradiance(
        tilt, azimuth, sun.apparent_zenith, sun.azimuth, split.dni, level, split.dhi,
        albedo=0.2, model="isotropic",
    ).poa_global.fillna(0)  # fmt: skip
    sky = Sky(1, times[0].timestamp(), LATITUDE, LONGITUDE)
    monkeypatch.setattr(sky, "clearness", lambda _day: 1.0)
    found = [sky.light(time.timestamp(), tilt, azimuth) for time in times]
    assert sum(found) == pytest.approx(expected.sum(), rel=0.04)
    # The equation of time, left out, moves noon by a quarter of an hour.
    assert max(abs(expected - found)) < 80


def test_days_of_fair_weather_follow_from_the_seed():
    one, same, other = (noons(Sky(seed, MIDNIGHT, 40.0, 0.0), 20) for seed in (1, 1, 2))
    assert one == same != other
    assert max(one) > 2 * min(one)


def test_a_dull_week_has_a_bright_day_and_then_six_dull_ones():
    start = MIDNIGHT + 7 * 3600
    sky, clear = (Sky(3, start, 40.0, -105.0, "dull-week") for _ in range(2))
    clear.clearness = lambda _day: 1.0
    shares = [a / b for a, b in zip(noons(sky, 14, start), noons(clear, 14, start), strict=True)]
    assert [share > 0.7 for share in shares] == [True] + [False] * 6 + [True] * 7
    assert max(shares[1:7]) < 0.14
