"""What is sent next: the rules in words, and then against a model that counts on its fingers."""

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from edge.uplink.outbox import Outbox, Range

WINDOW = 3


def test_the_newest_go_first_and_then_the_backlog_from_its_oldest() -> None:
    box = Outbox(newest=100, acknowledged=[(1, 20)], window=10)
    assert [box.next_range(30) for _ in range(4)] == [(71, 100), (21, 50), (51, 70), None]


def test_what_is_new_overtakes_the_backlog() -> None:
    box = Outbox(newest=100, acknowledged=[], window=10)
    box.next_range(10)
    box.next_range(10)
    box.grew(103)
    assert [box.next_range(10) for _ in range(2)] == [(101, 103), (11, 20)]


def test_more_new_readings_than_a_pack_holds_leave_backlog() -> None:
    box = Outbox(newest=10, acknowledged=[(1, 10)], window=10)
    assert box.next_range(5) is None
    box.grew(22)
    assert [box.next_range(5) for _ in range(4)] == [(18, 22), (11, 15), (16, 17), None]


def test_the_window_bounds_what_is_in_flight() -> None:
    box = Outbox(newest=100, acknowledged=[], window=2)
    first, second = box.next_range(10), box.next_range(10)
    assert (first, second, box.next_range(10)) == ((91, 100), (1, 10), None)
    assert box.in_flight == 2
    box.acknowledged(1, 10)
    assert box.next_range(10) == (11, 20)
    assert box.pending == 90


def test_after_a_lost_connection_the_newest_lead_again() -> None:
    box = Outbox(newest=100, acknowledged=[], window=10)
    for _ in range(3):
        box.next_range(10)
    box.acknowledged(96, 100)  # half of the first range, as a store may know better
    box.connection_lost()
    assert [box.next_range(10) for _ in range(2)] == [(91, 95), (1, 10)]


def test_a_pack_put_back_is_offered_again_in_its_place() -> None:
    box = Outbox(newest=100, acknowledged=[], window=10)
    assert box.next_range(10) == (91, 100)
    box.put_back(91, 100)
    assert [box.next_range(5) for _ in range(3)] == [(96, 100), (1, 5), (6, 10)]
    box.put_back(1, 5)
    assert [box.next_range(5) for _ in range(2)] == [(1, 5), (11, 15)]


def test_dropped_readings_are_not_offered() -> None:
    box = Outbox(newest=30, acknowledged=[], window=10)
    box.dropped(1, 25)
    assert (box.next_range(10), box.next_range(10), box.pending) == ((26, 30), None, 5)


def test_nothing_to_send_in_an_empty_journal() -> None:
    box = Outbox(newest=0, acknowledged=[], window=1)
    assert (box.next_range(10), box.pending) == (None, 0)


class Sending(RuleBasedStateMachine):
    """An outbox beside plain sets of numbers."""

    def __init__(self) -> None:
        super().__init__()
        self.box = Outbox(newest=0, acknowledged=[], window=WINDOW)
        self.newest = 0
        self.done: set[int] = set()
        self.flying: list[Range] = []
        self.offered_up_to = 0

    @rule(count=st.integers(1, 40))
    def readings_come_in(self, count: int) -> None:
        self.newest += count
        self.box.grew(self.newest)

    @rule(size=st.integers(1, 15))
    def send(self, size: int) -> None:
        aloft = {n for first, last in self.flying for n in range(first, last + 1)}
        waiting = set(range(1, self.newest + 1)) - self.done - aloft
        found = self.box.next_range(size)
        if len(self.flying) == WINDOW or not waiting:
            assert found is None
            return
        assert found is not None
        first, last = found
        numbers = set(range(first, last + 1))
        assert numbers
        assert numbers <= waiting
        assert len(numbers) <= size
        live = {n for n in waiting if n > max(self.offered_up_to, self.newest - size)}
        if live:
            assert last == max(live)
            assert numbers <= live
        else:
            assert first == min(waiting)
        self.offered_up_to = self.newest
        self.flying.append(found)

    @precondition(lambda self: self.flying)
    @rule(data=st.data())
    def acknowledgement_comes(self, data: st.DataObject) -> None:
        first, last = data.draw(st.sampled_from(self.flying))
        self.flying.remove((first, last))
        self.box.acknowledged(first, last)
        self.done |= set(range(first, last + 1))

    @precondition(lambda self: self.flying)
    @rule(data=st.data())
    def refusal_comes(self, data: st.DataObject) -> None:
        first, last = data.draw(st.sampled_from(self.flying))
        self.flying.remove((first, last))
        self.box.put_back(first, last)
        self.offered_up_to = min(self.offered_up_to, first - 1)

    @precondition(lambda self: self.newest)
    @rule(data=st.data())
    def retention_drops(self, data: st.DataObject) -> None:
        first = data.draw(st.integers(1, self.newest))
        last = data.draw(st.integers(first, self.newest))
        self.box.dropped(first, last)
        self.done |= set(range(first, last + 1))

    @rule()
    def connection_is_lost(self) -> None:
        self.box.connection_lost()
        self.flying = []
        self.offered_up_to = 0

    @invariant()
    def accounts_agree(self) -> None:
        assert self.box.pending == self.newest - len(self.done)
        assert self.box.in_flight == len(self.flying)

    def teardown(self) -> None:
        """Given a working connection, everything goes out in the end."""
        self.connection_is_lost()
        for _ in range(self.newest - len(self.done)):
            found = self.box.next_range(7)
            if found is None:
                break
            self.box.acknowledged(*found)
        assert self.box.pending == 0


TestSending = Sending.TestCase
TestSending.settings = settings(max_examples=100, stateful_step_count=30, deadline=None)
