import math

import pytest
from scipy.special import exp1

from hw_fakes.well_function import well_function


@pytest.mark.parametrize(
    ("u", "published"),
    # USGS Water-Supply Paper 1536-E, table of W(u).
    [(1e-6, 13.2383), (1e-4, 8.6332), (0.01, 4.0379), (0.1, 1.8229), (1.0, 0.2194)],
)
def test_the_published_table(u, published):
    assert well_function(u) == pytest.approx(published, abs=5e-5)


def test_every_order_of_magnitude_against_scipy():
    # Reference: scipy.special.exp1. The steps are small enough to fall on both sides of every
    # change of method.
    for step in range(-1500, 285):
        u = 10 ** (step / 100)
        assert well_function(u) == pytest.approx(exp1(u), rel=1e-13)


def test_both_ends():
    assert well_function(0.0) == math.inf
    assert well_function(2000.0) == 0.0
    with pytest.raises(ValueError, match="-1"):
        well_function(-1.0)
