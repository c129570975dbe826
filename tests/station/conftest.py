from pathlib import Path

import pytest

from edge.station.faults import StationFileError
from edge.station.loader import station_from

EXAMPLE = Path(__file__).parents[2] / "config" / "ash-creek-2.toml"
EVERYTHING = Path(__file__).parent / "everything.toml"


def _spoiler(text):
    """Return a function that changes pieces of a good file and returns what is then said about it.

    Each answer is (text of the line, key, found, expected).
    """

    def spoilt(*changes):
        changed = text
        for old, new in changes:
            assert changed.count(old) >= 1, old
            changed = changed.replace(old, new, 1)
        try:
            station_from(changed, "station.toml")
        except StationFileError as error:
            rows = ["", *changed.split("\n")]
            return [(rows[f.line or 0], f.key, f.found, f.expected) for f in error.faults]
        return []

    return spoilt


@pytest.fixture
def example():
    """The text of a good station file, to be spoilt."""
    return EXAMPLE.read_text()


@pytest.fixture
def spoil(example):
    """A function that spoils that file; see `_spoiler`."""
    return _spoiler(example)


@pytest.fixture
def spoil_everything():
    """The same for the file that has everything."""
    return _spoiler(EVERYTHING.read_text())
