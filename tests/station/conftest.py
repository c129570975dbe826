from pathlib import Path

import pytest

from edge.station.faults import StationFileError
from edge.station.loader import station_from

EXAMPLE = Path(__file__).parents[2] / "config" / "ash-creek-2.toml"


@pytest.fixture
def example():
    """The text of a good station file, to be spoilt."""
    return EXAMPLE.read_text()


@pytest.fixture
def spoil(example):
    """A function that changes pieces of the good file and returns what is then said about it.

    Each answer is (text of the line, key, found, expected).
    """

    def spoilt(*changes):
        text = example
        for old, new in changes:
            assert text.count(old) >= 1, old
            text = text.replace(old, new, 1)
        try:
            station_from(text, "station.toml")
        except StationFileError as error:
            rows = ["", *text.split("\n")]
            return [(rows[f.line or 0], f.key, f.found, f.expected) for f in error.faults]
        return []

    return spoilt
