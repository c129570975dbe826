"""Stations to plan for: the examples of config/, with changes."""

from edge.plan.needs import sections_of
from edge.plan.study import Study, design_of
from edge.plan.sun import Place, Sky
from edge.plan.weather import mean_year, random_years
from edge.station.loader import station_from
from tests.stations import CONFIG

WELL_7 = CONFIG / "ash-creek-7.toml"
SOUTH = CONFIG / "ash-creek-south.toml"
NORTH = CONFIG / "ash-creek-north.toml"


def changed(path, *changes):
    """Return the station of a file with texts replaced, each of which must be there."""
    text = path.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    return station_from(text, path.name)


def study_of(station, *, years=1, seed=1):
    """Return a station under study, and its design."""
    sections = sections_of(station)
    climate = sections.energy.climate
    sky = Sky(Place(station.station.latitude, station.station.longitude or 0.0, 1700.0))
    celsius = [one.value for one in climate.temperature]
    study = Study(
        sections,
        random_years(sky, climate.clearness, celsius, years, seed),
        mean_year(sky, climate.clearness, celsius),
    )
    return study, design_of(station, sections)
