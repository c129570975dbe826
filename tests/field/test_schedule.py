from hypothesis import given
from hypothesis import strategies as st

from edge.field.schedule import Patience, fell_due, first_slot_after

MINUTE = 60_000


def test_slots_keep_to_the_wall_clock():
    quarter_past = 1_767_225_600_000 + 15 * MINUTE  # 2026-01-01 00:15 UTC
    assert first_slot_after(quarter_past + 1, [15 * MINUTE]) == quarter_past + 15 * MINUTE
    assert first_slot_after(quarter_past, [15 * MINUTE, MINUTE]) == quarter_past + MINUTE


def test_a_channel_falls_due_once_however_late_its_bus_comes():
    assert fell_due(MINUTE, 59_000, 61_000)
    assert not fell_due(MINUTE, 61_000, 119_000)
    assert fell_due(MINUTE, 61_000, 61_000 + 5 * MINUTE)
    assert fell_due(MINUTE, 59_999, MINUTE)
    assert not fell_due(MINUTE, MINUTE, MINUTE)


@given(
    st.integers(1, 10**6),
    st.lists(st.integers(0, 10**5), min_size=1, max_size=50),
)
def test_no_slot_is_lost_between_polls(interval, steps):
    """However the polls fall, every slot lies in exactly one span that fell due."""
    at, due = 0, 0
    for step in steps:
        due += fell_due(interval, at, at + step)
        at += step
    assert min(1, at // interval) <= due <= at // interval


def test_patience_doubles_up_to_its_limit():
    patience, now, pauses = Patience(limit=10.0), 0.0, []
    for _ in range(8):
        while not patience.allows(now):
            now += 0.5
        patience.failed(now)
        begun = now
        while not patience.allows(now):
            now += 0.5
        pauses.append(now - begun)
    assert pauses == [0.0, 1.0, 2.0, 4.0, 8.0, 10.0, 10.0, 10.0]
    patience.succeeded()
    assert patience.allows(now - 1000)
    assert patience.failures == 0


def test_patience_without_end_does_not_overflow():
    patience = Patience(limit=300.0, failures=10**6)
    patience.failed(0.0)
    assert not patience.allows(299.0)
    assert patience.allows(300.0)
