from hypothesis import given
from hypothesis import strategies as st

from edge.journal.gaps import Lost
from edge.journal.waiting import Waiting
from edge.readings import Gap, Journalled, Reading, Stamp, WhyGone
from edge.status import Reason
from tests.journal.parts import levels

HERE = Stamp("here", 100)


def test_rounds_of_one_stamp_are_taken_together():
    waiting = Waiting(99)
    waiting.add(levels(2), {"flow": {"total": 1}}, None)
    waiting.add(levels(1), {"flow": {"total": 2}}, None)
    waiting.acknowledged.append((1, 2))
    batch = waiting.take()
    assert (len(batch.readings), batch.states) == (3, {"flow": {"total": 2}})
    assert batch.acknowledged == [(1, 2)]
    assert not waiting
    assert not waiting.take()


def test_rounds_of_different_stamps_are_not():
    waiting = Waiting(99)
    for stamp in (None, HERE, HERE, None):
        waiting.add(levels(1), {}, stamp)
    batches = [waiting.take() for _ in range(3)]
    assert [(len(b.readings), b.stamp) for b in batches] == [(1, None), (2, HERE), (1, None)]


def test_what_was_put_back_comes_first_again():
    waiting = Waiting(99)
    gap = Gap(1, 2, WhyGone.LOST, None, None, 0)
    waiting.add(levels(2), {"flow": {"total": 1}}, None)
    waiting.acknowledged.append((1, 2))
    waiting.told.append(gap)
    batch = waiting.take()
    assert batch.told == [gap]
    waiting.add(levels(1, start=50), {"flow": {"total": 2}, "level": {}}, None)
    waiting.acknowledged.append((3, 4))
    waiting.put_back(batch)
    again = waiting.take()
    assert [r.utc_ms for r in again.readings] == [0, 1000, 50_000]
    assert again.states == {"flow": {"total": 2}, "level": {}}
    assert again.acknowledged == [(1, 2), (3, 4)]
    assert again.told == [gap]


def test_the_true_time_is_given_on_the_way_out():
    waiting = Waiting(99)
    waiting.add(levels(2), {}, HERE)
    batch = waiting.take()
    assert batch.timed(None) == (levels(2), HERE)
    readings, stamp = batch.timed(("here", 1100))
    assert ([r.utc_ms for r in readings], stamp) == ([1000, 2000], None)
    assert batch.readings == levels(2)


def test_another_boot_has_another_time():
    waiting = Waiting(99)
    waiting.add(levels(1), {}, Stamp("before", 100))
    batch = waiting.take()
    assert batch.timed(("here", 1100)) == (levels(1), Stamp("before", 100))


def test_what_has_its_time_already_keeps_it():
    waiting = Waiting(99)
    waiting.add(levels(1), {}, None)
    assert waiting.take().timed(("here", 1100)) == (levels(1), None)


def test_beyond_its_bounds_the_oldest_are_lost_and_counted():
    waiting = Waiting(5)
    waiting.add(levels(4), {"flow": {"total": 1}}, None)
    waiting.add(levels(3), {}, None)
    assert (waiting.lost, waiting.readings) == (2, 5)
    batch = waiting.take()
    assert (batch.lost, batch.states) == (Lost(2, 0, 1000), {"flow": {"total": 1}})
    waiting.add(levels(4, start=20), {}, None)
    waiting.put_back(batch)
    assert waiting.lost == 6
    assert waiting.take().lost == Lost(6, 0, 3000)


def test_when_that_was_is_not_known_without_the_time():
    waiting = Waiting(2)
    waiting.add(levels(2), {}, None)
    waiting.add(levels(3), {}, HERE)
    assert waiting.lost == 3
    assert waiting.take().lost == Lost(3, None, None)


def test_what_turned_out_to_be_kept_is_forgotten():
    waiting = Waiting(4)
    waiting.add(levels(6), {}, None)
    kept = [
        Journalled(9, "level", 2000, 2.0, Reason.OK),
        Journalled(10, "level", 3000, 3.0, Reason.OK),
    ]
    waiting.drop_kept(kept, lost=True)
    batch = waiting.take()
    assert [r.value for r in batch.readings] == [4.0, 5.0]
    assert batch.lost is None


def test_what_was_kept_under_its_true_time_is_forgotten_as_well():
    waiting = Waiting(9)
    waiting.add(levels(3), {}, HERE)
    kept = [
        Journalled(9, "level", 0, 0.0, Reason.OK),
        Journalled(10, "level", 51_000, 1.0, Reason.OK),
    ]
    waiting.drop_kept(kept, lost=False)
    assert waiting.take().readings == levels(3)[2:]
    # Without a stamp the time counts: values alone may repeat.
    waiting.add(levels(1), {}, None)
    waiting.drop_kept(kept[:1], lost=False)
    waiting.add(levels(1), {}, None)
    waiting.drop_kept([Journalled(11, "level", 50_000, 0.0, Reason.OK)], lost=False)
    assert waiting.take().readings == levels(1)


def test_only_what_is_kept_is_forgotten():
    waiting = Waiting(9)
    waiting.add(levels(3), {}, None)
    waiting.drop_kept([Journalled(9, "level", 0, 0.5, Reason.OK)], lost=False)
    waiting.drop_kept([], lost=False)
    assert len(waiting.take().readings) == 3
    waiting.add(levels(1), {}, None)
    waiting.drop_kept([Journalled(9, "level", 0, 0.0, Reason.OK)], lost=False)
    assert waiting.take().readings == []


@given(
    st.lists(
        st.tuples(st.integers(0, 5), st.sampled_from([None, HERE]), st.booleans()), max_size=30
    ),
    st.integers(1, 12),
)
def test_every_reading_is_taken_once_in_order_or_counted_as_lost(steps, most):
    waiting = Waiting(most)
    made = taken = 0
    seen = []
    for count, stamp, fails in steps:
        waiting.add([Reading("level", made + k, 0.0) for k in range(count)], {}, stamp)
        made += count
        assert waiting.readings <= most
        batch = waiting.take()
        if fails:
            waiting.put_back(batch)
        else:
            taken += len(batch.readings) + (batch.lost.readings if batch.lost else 0)
            seen += [r.utc_ms for r in batch.readings]
    while waiting:
        batch = waiting.take()
        taken += len(batch.readings) + (batch.lost.readings if batch.lost else 0)
        seen += [r.utc_ms for r in batch.readings]
    assert taken == made == len(seen) + waiting.lost
    assert seen == sorted(seen)
