"""What tests of the journal share."""

from edge.readings import Condense, Reading, Series
from edge.units import UNITS

SERIES = [
    Series("level", UNITS["ft"]),
    Series("flow.total", UNITS["gal"], condense=Condense.LAST),
]


def levels(count, start=0):
    """Return readings of the level, a second apart, whose values are 0, 1, 2..."""
    return [Reading("level", (start + i) * 1000, float(i)) for i in range(count)]


def values(journal):
    """Return the values of all readings in a journal."""
    return [row.value for row in journal.fetch(1, journal.newest)]
