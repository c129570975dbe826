"""Files of typical years: read as they should be, and refused when they are not."""

import numpy as np
import pytest

from edge.plan.sun import Place, by_month
from edge.plan.typical_year import WeatherFileError, kilometres, read_year
from tests.plan.weather_files import MEASURED, measured_year, read_directly, write_epw, write_pvgis


@pytest.mark.parametrize("name", MEASURED)
def test_the_years_that_pvlib_carries(name):
    table, location, _ = read_directly(name)
    weather = measured_year(name)
    assert weather.years == 1
    assert weather.sky.place.latitude == location.latitude
    assert weather.light.level.tolist() == table["ghi"].tolist()
    assert weather.celsius == pytest.approx(table["temp_air"].to_numpy())
    # The sun is up when there is light: an hour to either side it would be less so.
    fits = [
        np.corrcoef(np.roll(weather.light.level, by), weather.sky.level_outside)[0, 1]
        for by in (-1, 0, 1)
    ]
    assert fits[1] == max(fits)
    # Within half an hour the sun moves by 7.5 degrees at most.
    assert weather.light.beam[weather.sky.zenith > 98].max() == 0


def test_an_epw_and_a_pvgis_file_of_the_same_year(tmp_path):
    original = measured_year("723170TYA")
    epw = read_year(write_epw(tmp_path / "year.epw"))
    pvgis = read_year(write_pvgis(tmp_path / "year.csv"))
    for other in (epw, pvgis):
        assert other.light.level == pytest.approx(original.light.level, abs=0.51)
        assert other.celsius == pytest.approx(original.celsius, abs=0.051)
        assert other.sky.zenith == pytest.approx(original.sky.zenith, abs=1e-9)
        assert by_month(other.sky, other.light.beam) == pytest.approx(
            by_month(original.sky, original.light.beam), rel=0.01
        )


def refused(file):
    with pytest.raises(WeatherFileError) as caught:
        read_year(file)
    message = str(caught.value)
    assert message.startswith(f"{file}: found ")
    assert ", expected " in message
    return message


def changed(tmp_path, change):
    lines = MEASURED["703165TY"].read_text().splitlines(keepends=True)
    change(lines)
    file = tmp_path / "changed.csv"
    file.write_text("".join(lines))
    return file


def test_a_file_that_is_not_there(tmp_path):
    assert "no such file" in refused(tmp_path / "none.epw")


def test_a_directory(tmp_path):
    assert "cannot be read" in refused(tmp_path)


def test_a_file_of_something_else(tmp_path):
    file = tmp_path / "letter.txt"
    file.write_text("Dear Sir,\nthe sun shines.\n")
    assert "'Dear Sir,'" in refused(file)
    file.write_text("")
    assert "an empty file" in refused(file)


def test_a_file_that_only_begins_as_it_should(tmp_path):
    file = tmp_path / "short.epw"
    file.write_text("LOCATION,Ash Creek,-,-,-,0,somewhere,-79.95,-5.0,273.0\n")
    assert "begins as EPW" in refused(file)


def test_a_missing_hour(tmp_path):
    message = refused(changed(tmp_path, lambda lines: lines.pop(1002)))
    assert "02-11 17:00 as hour 1001" in message
    assert "expected 02-11 16:00" in message


def test_a_year_that_ends_early(tmp_path):
    message = refused(changed(tmp_path, lambda lines: lines.__delitem__(slice(-24, None))))
    assert "found 8736 hours, expected 8760" in message


def test_an_hour_too_many(tmp_path):
    message = refused(changed(tmp_path, lambda lines: lines.append(lines[-1])))
    assert "8761 hours" in message


def test_a_figure_that_is_none(tmp_path):
    def blank(lines):
        cells = lines[500].split(",")
        cells[4] = ""
        lines[500] = ",".join(cells)

    message = refused(changed(tmp_path, blank))
    assert 'no number in column "ghi" at hour 499' in message


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [
        ("ghi", 9999.0, "global horizontal irradiance"),
        ("dni", -500.0, "direct normal irradiance"),
        ("temperature", 99.9, "air temperature"),
    ],
)
def test_a_figure_that_cannot_be(tmp_path, column, value, words):
    def spoil(columns):
        columns[column][77] = value

    message = refused(write_epw(tmp_path / "year.epw", change=spoil))
    assert "hour 78" in message
    assert words in message


def test_distances():
    # A minute of arc along a meridian is a nautical mile of 1.852 km, near enough.
    assert kilometres(Place(40, 0), Place(41, 0)) == pytest.approx(60 * 1.852, rel=0.002)
    assert kilometres(Place(0, 179), Place(0, -179)) == pytest.approx(2 * 60 * 1.852, rel=0.002)
