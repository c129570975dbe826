"""The backlog's share of the time, and the size of packs."""

from hypothesis import given
from hypothesis import strategies as st

from edge.uplink.pace import BacklogPace, PackSize

BURST = 10.0


@given(
    st.floats(0.01, 1.0),
    st.lists(st.tuples(st.floats(0.0, 30.0), st.floats(0.01, 60.0)), min_size=1),
)
def test_a_backlog_has_no_more_than_its_share(
    share: float, turns: list[tuple[float, float]]
) -> None:
    """Each turn: some rest, then as soon as allowed a pack that takes so long."""
    now = busy = longest = 0.0
    pace = BacklogPace(share, now)
    for rest, length in turns:
        now += rest
        while wait := pace.wait(now):
            now += wait
        assert busy <= share * now + BURST + 1e-6
        pace.note(now, busy=True)
        now, busy, longest = now + length, busy + length, max(longest, length)
        pace.note(now, busy=False)
        assert busy <= share * now + BURST + longest + 1e-6


def test_a_backlog_that_takes_all_the_time_it_may_gets_its_share() -> None:
    now = busy = 0.0
    pace = BacklogPace(0.25, now)
    while now < 1000.0:
        if wait := pace.wait(now):
            now += wait
        else:
            pace.note(now, busy=True)
            now, busy = now + 2.0, busy + 2.0
            pace.note(now, busy=False)
    assert 0.24 * now < busy < 0.26 * now + BURST


def test_a_short_outage_s_backlog_need_not_wait_and_rest_does_not_pile_up() -> None:
    pace = BacklogPace(0.5, 0.0)
    assert pace.wait(1e6) == 0.0
    pace.note(1e6, busy=True)
    assert pace.wait(1e6 + 19.9) == 0.0
    assert pace.wait(1e6 + 20.1) > 0.0


def test_with_the_whole_share_nothing_waits() -> None:
    pace = BacklogPace(1.0, 0.0)
    pace.note(0.0, busy=True)
    assert pace.wait(1e6) == 0.0


def test_packs_are_halved_down_to_one_reading() -> None:
    size = PackSize(500)
    sizes = []
    for _ in range(10):
        sizes.append(size.current)
        size.too_large(size.current)
    assert sizes == [500, 250, 125, 62, 31, 15, 7, 3, 1, 1]


def test_the_pack_that_failed_is_halved_where_it_was_smaller() -> None:
    size = PackSize(500)
    size.too_large(20)
    assert size.current == 10


def test_packs_grow_again_when_they_get_through() -> None:
    size = PackSize(500)
    for _ in range(9):
        size.too_large(size.current)
    packs = 0
    while size.current < 500:
        size.acknowledged(size.current)
        packs += 1
    assert packs == 9 * 4


def test_small_packs_prove_nothing() -> None:
    size = PackSize(500)
    size.too_large(500)
    for _ in range(100):
        size.acknowledged(125)
    assert size.current == 250


@given(st.integers(1, 499))
def test_the_brokers_limit_is_tried_less_and_less_often(limit: int) -> None:
    size, failures = PackSize(500), 0
    for _ in range(5000):
        if size.current > limit:
            failures += 1
            size.too_large(size.current)
        else:
            size.acknowledged(size.current)
    assert size.current * 4 > limit
    # At first at every size from the largest down, then at most once in a thousand packs.
    assert failures <= 9 + 12
