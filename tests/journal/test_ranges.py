import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.journal.ranges import RangeSet

pairs = st.tuples(st.integers(0, 60), st.integers(0, 12)).map(lambda p: (p[0], p[0] + p[1]))


@given(st.lists(pairs, max_size=30), pairs)
def test_it_behaves_like_a_set(ranges, window):
    ours, plain = RangeSet(), set()
    for first, last in ranges:
        merged = ours.add(first, last)
        plain |= set(range(first, last + 1))
        assert merged in list(ours)
        assert merged[0] <= first <= last <= merged[1]
    assert len(ours) == len(plain)
    assert bool(ours) == bool(plain)
    assert {n for n in range(80) if n in ours} == plain
    wanted = range(window[0], window[1] + 1)
    gaps = [n for a, b in ours.gaps(*window) for n in range(a, b + 1)]
    assert gaps == [n for n in wanted if n not in plain]
    runs = [n for a, b in ours.within(*window) for n in range(a, b + 1)]
    assert runs == [n for n in wanted if n in plain]


@given(st.lists(pairs, max_size=30))
def test_ranges_are_sorted_apart_and_rebuildable(ranges):
    ours = RangeSet(ranges)
    held = list(ours)
    assert all(held[i][1] + 1 < held[i + 1][0] for i in range(len(held) - 1))
    assert RangeSet(reversed(held)) == ours


def test_a_backward_range_is_refused():
    with pytest.raises(ValueError, match="3 to 2"):
        RangeSet().add(3, 2)


def test_looks():
    assert repr(RangeSet([(1, 2), (4, 4)])) == "RangeSet([(1, 2), (4, 4)])"
    assert RangeSet() != 3
