from hypothesis import given
from hypothesis import strategies as st

from edge.field.ration import Ration


def test_replies_to_a_fast_asker_are_within_the_ration():
    ration = Ration()
    for n in range(10_000):  # every 0.2 ms, as fast as a pseudo-terminal answers
        assert ration.pause_after(n * 2e-4, 9) == 0.0


def test_a_full_span_is_followed_by_a_pause_to_its_end():
    ration = Ration()
    assert ration.pause_after(5.0, 100) == 0.0
    assert 0.0 < ration.pause_after(5.002, 65_536) <= 0.0081
    assert ration.pause_after(5.0101, 100) == 0.0


@given(st.lists(st.tuples(st.floats(0, 0.02), st.integers(0, 4096)), max_size=400))
def test_who_heeds_the_pauses_never_reads_much_more_than_the_ration(chunks):
    ration, now, reads = Ration(), 0.0, []
    for wait, size in chunks:
        now += wait
        reads.append((now, size))
        now += ration.pause_after(now, size)
    for start, _ in reads:
        span = [size for at, size in reads if start <= at < start + 0.01]
        assert sum(span) < 2 * (8192 + 4096)
        assert len(span) <= 2 * 64
