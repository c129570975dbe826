"""Broken station files, each with a text file of all that is to be said about it, word for word.

Every line at fault is marked in the station file itself, so that the numbers cannot drift unseen.
"""

import re
from pathlib import Path

import pytest

from edge.station.faults import StationFileError
from edge.station.loader import load

BROKEN = Path(__file__).parent / "broken"
MARK = "# <-"

NAMES = sorted(path.stem for path in BROKEN.glob("*.toml"))


@pytest.mark.parametrize("name", NAMES)
def test_every_fault_of_a_broken_file_is_named_with_line_and_key(name):
    path = BROKEN / f"{name}.toml"

    with pytest.raises(StationFileError) as caught:
        load(path)

    faults = caught.value.faults
    told = [f"{f.line}: {f.key}: found {f.found}, expected {f.expected}" for f in faults]
    assert told == (BROKEN / f"{name}.txt").read_text().splitlines()
    rows = path.read_text().split("\n")
    marked = [number for number, row in enumerate(rows, 1) if MARK in row]
    assert sorted({f.line for f in faults if f.line is not None}) == marked
    assert {f.file for f in faults} == {str(path)}


def test_the_error_as_text_is_one_line_a_fault():
    path = BROKEN / "five_faults.toml"

    with pytest.raises(StationFileError) as caught:
        load(path)

    lines = str(caught.value).split("\n")
    assert len(lines) == 5
    assert lines[4] == (
        f"{path}:39: uplink.publish: found '1 m', a length, expected a time in ms, s, min, h, d"
    )


def test_a_fault_of_the_whole_file_has_no_line():
    path = BROKEN / "no_channels.toml"

    with pytest.raises(StationFileError, match=f"^{re.escape(str(path))}: channels: found nothing"):
        load(path)
