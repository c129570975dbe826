import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.measure.visits import Corrections, Visit

DAY = 86_400_000
START = 1_767_225_600_000


def visits(*corrections):
    return [Visit(START + 30 * DAY * n, each) for n, each in enumerate(corrections)]


INSTANTS = st.integers(0, 4_000_000_000_000)
OFFSETS = st.floats(-5, 5)
SERIES_OF_VISITS = st.lists(st.tuples(INSTANTS, OFFSETS), max_size=8, unique_by=lambda v: v[0]).map(
    lambda pairs: [Visit(*pair) for pair in sorted(pairs)]
)


@given(INSTANTS)
def test_without_a_visit_nothing_is_added(utc_ms):
    assert Corrections([]).at(utc_ms) == 0.0


@given(INSTANTS, OFFSETS)
def test_one_visit_holds_for_ever(utc_ms, correction):
    assert Corrections(visits(correction)).at(utc_ms) == correction


@pytest.mark.parametrize(
    ("day", "correction"),
    [
        (-400, 0.02),
        (0, 0.02),
        (15, 0.05),
        (30, 0.08),
        (50, 0.04),
        (60, 0.02),
        (61, 0.02),
        (4000, 0.02),
    ],
)
def test_drift_is_shared_out_in_proportion_to_the_time_between_visits(day, correction):
    corrections = Corrections(visits(0.02, 0.08, 0.02))
    assert corrections.at(START + day * DAY) == pytest.approx(correction, abs=1e-12)


@given(SERIES_OF_VISITS, INSTANTS)
def test_a_correction_lies_between_what_was_found(made, utc_ms):
    found = [visit.correction for visit in made] or [0.0]
    assert min(found) - 1e-12 <= Corrections(made).at(utc_ms) <= max(found) + 1e-12


@given(SERIES_OF_VISITS)
def test_a_visit_is_met_exactly(made):
    corrections = Corrections(made)
    assert [corrections.at(visit.utc_ms) for visit in made] == [v.correction for v in made]


@pytest.mark.parametrize("later", [0, -1])
def test_visits_out_of_order_or_at_one_instant_are_refused(later):
    made = [*visits(0.0, 0.1), Visit(START + 30 * DAY + later, 0.2)]
    with pytest.raises(ValueError, match="does not come after") as refused:
        Corrections(made)
    assert refused.value.args[1] == 2


def test_the_visits_given_are_kept():
    made = visits(0.01, -0.02)
    corrections = Corrections(made)
    made.append(Visit(0, 9.0))
    assert corrections.visits == tuple(visits(0.01, -0.02))
