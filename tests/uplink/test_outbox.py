"""What is sent next: the rules in words, and then against a model that counts on its fingers."""

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from edge.uplink.outbox import Outbox, Range

MANY = 10**9


def started(newest: int, acknowledged: list[Range] | None = None, size: int = 10) -> Outbox:
    box = Outbox(newest, acknowledged or [])
    box.begin(size)
    return box


def order(box: Outbox, size: int, count: int) -> list[Range | None]:
    """Take that many ranges in hand, as they would go."""
    return [box.next_live(size) or box.next_backlog(size) for _ in range(count)]


def test_the_newest_go_first_and_then_the_backlog_from_its_oldest() -> None:
    box = started(100, [(1, 20)], size=30)
    assert order(box, 30, 4) == [(71, 100), (21, 50), (51, 70), None]


def test_what_is_new_waits_for_its_slot_and_then_overtakes_the_backlog() -> None:
    box = started(100)
    assert order(box, 10, 2) == [(91, 100), (1, 10)]
    box.grew(103)
    assert box.next_live(10) is None
    box.slot(MANY)
    assert order(box, 10, 2) == [(101, 103), (11, 20)]


def test_all_that_came_since_the_last_slot_is_live_the_newest_first() -> None:
    box = started(10, [(1, 10)], size=5)
    assert order(box, 5, 1) == [None]
    box.grew(22)
    box.slot(MANY)
    assert [box.next_live(5) for _ in range(4)] == [(18, 22), (13, 17), (11, 12), None]


def test_what_did_not_go_in_its_slot_is_backlog() -> None:
    box = started(10, [(1, 10)])
    for newest in (20, 30):
        box.grew(newest)
        box.slot(MANY)
    assert [box.next_live(100), box.next_backlog(100)] == [(21, 30), (11, 20)]


def test_after_a_lost_connection_the_newest_lead_again() -> None:
    box = started(100)
    order(box, 10, 3)
    box.acknowledged(96, 100)  # half of the first range, as a store may know better
    box.connection_lost()
    box.begin(10)
    assert order(box, 10, 2) == [(91, 95), (1, 10)]


def test_a_pack_put_back_is_offered_again_in_its_place() -> None:
    box = started(100)
    assert box.next_live(10) == (91, 100)
    box.put_back(91, 100)
    assert order(box, 5, 3) == [(96, 100), (91, 95), (1, 5)]
    box.put_back(1, 5)
    assert order(box, 5, 2) == [(1, 5), (6, 10)]


def test_what_would_not_go_comes_last_and_not_before_the_next_slot() -> None:
    box = started(40)
    assert order(box, 10, 2) == [(31, 40), (1, 10)]
    box.set_aside(1, 10, halve=True)
    assert (box.has_aside, box.has_backlog, box.has_more) == (True, True, True)
    assert order(box, 10, 3) == [(11, 20), (21, 30), None]
    assert (box.has_backlog, box.has_more, box.next_aside(10)) == (False, False, None)
    box.slot(MANY)
    assert (box.has_backlog, box.has_more) == (False, True)
    assert box.next_aside(10) == (1, 5)
    box.acknowledged(1, 5)
    assert box.next_aside(10) == (6, 10)
    box.connection_lost()
    assert box.pending == 35
    box.dropped(6, 10)
    assert not box.has_aside


def test_dropped_readings_are_not_offered() -> None:
    box = started(30)
    box.dropped(1, 25)
    assert (order(box, 10, 2), box.pending) == ([(26, 30), None], 5)


def test_numbers_above_what_may_be_sent_are_not_pending() -> None:
    box = started(30, [(40, 60)])
    assert box.pending == 30
    box.grew(50)
    assert box.pending == 39


def test_nothing_to_send_in_an_empty_journal() -> None:
    box = started(0)
    assert (order(box, 10, 1), box.next_aside(10), box.pending) == ([None], None, 0)


class Sending(RuleBasedStateMachine):
    """An outbox beside plain sets of numbers."""

    def __init__(self) -> None:
        super().__init__()
        self.box = Outbox(newest=0, acknowledged=[])
        self.newest = 0
        self.done: set[int] = set()
        self.aside: set[int] = set()
        self.in_hand: list[Range] = []
        self.live_from, self.live_to = 1, 0

    def waiting(self) -> set[int]:
        taken = {n for first, last in self.in_hand for n in range(first, last + 1)}
        return set(range(1, self.live_to + 1)) - self.done - taken - self.aside

    def check(self, found: Range | None, expected: set[int], size: int) -> set[int]:
        if not expected:
            assert found is None
            return set()
        assert found is not None
        numbers = set(range(found[0], found[1] + 1))
        assert numbers
        assert numbers <= expected
        assert len(numbers) <= size
        self.in_hand.append(found)
        return numbers

    @rule(count=st.integers(1, 40))
    def readings_come_in(self, count: int) -> None:
        self.newest += count
        self.box.grew(self.newest)

    @rule()
    def slot_comes(self) -> None:
        self.box.slot(MANY)
        self.live_from, self.live_to = self.live_to + 1, self.newest

    @rule(size=st.integers(1, 15))
    def send_live(self, size: int) -> None:
        live = {n for n in self.waiting() if n >= self.live_from}
        if numbers := self.check(self.box.next_live(size), live, size):
            assert max(numbers) == max(live)

    @rule(size=st.integers(1, 15))
    def send_backlog(self, size: int) -> None:
        backlog = {n for n in self.waiting() if n < self.live_from}
        assert self.box.has_backlog is bool(backlog)
        if numbers := self.check(self.box.next_backlog(size), backlog, size):
            assert min(numbers) == min(backlog)

    @precondition(lambda self: self.in_hand)
    @rule(data=st.data())
    def acknowledgement_comes(self, data: st.DataObject) -> None:
        first, last = data.draw(st.sampled_from(self.in_hand))
        self.in_hand.remove((first, last))
        self.box.acknowledged(first, last)
        self.done |= set(range(first, last + 1))
        self.aside -= self.done

    @precondition(lambda self: self.in_hand)
    @rule(data=st.data(), for_good=st.booleans(), halve=st.booleans())
    def refusal_comes(self, data: st.DataObject, for_good: bool, halve: bool) -> None:
        first, last = data.draw(st.sampled_from(self.in_hand))
        self.in_hand.remove((first, last))
        if for_good:
            self.box.set_aside(first, last, halve=halve)
            self.aside |= set(range(first, last + 1))
        else:
            self.box.put_back(first, last)

    @precondition(lambda self: self.newest)
    @rule(data=st.data())
    def retention_drops(self, data: st.DataObject) -> None:
        first = data.draw(st.integers(1, self.newest))
        last = data.draw(st.integers(first, self.newest))
        self.box.dropped(first, last)
        self.done |= set(range(first, last + 1))
        self.aside -= self.done

    @rule(size=st.integers(1, 15))
    def connection_is_lost_and_made_anew(self, size: int) -> None:
        self.box.connection_lost()
        self.in_hand = []
        self.box.begin(size)
        self.live_from, self.live_to = max(1, self.newest - size + 1), self.newest

    @invariant()
    def accounts_agree(self) -> None:
        assert self.box.pending == self.newest - len(self.done)
        # What was dropped while in hand, and then refused, may stay aside until it is tried.
        assert self.box.has_aside >= bool(self.aside)

    def teardown(self) -> None:
        """Given a working connection, everything goes out in the end."""
        self.connection_is_lost_and_made_anew(7)
        for _ in range(2 * self.newest):
            found = self.box.next_live(7) or self.box.next_backlog(7) or self.box.next_aside(7)
            if found is None:
                self.box.slot(MANY)
            else:
                self.box.acknowledged(*found)
        assert self.box.pending == 0


TestSending = Sending.TestCase
TestSending.settings = settings(max_examples=100, stateful_step_count=30, deadline=None)


def test_what_is_set_free_all_at_once_does_not_go_before_all_else() -> None:
    box = Outbox(10_000, [(1, 10_000)])
    box.begin(100)
    box.grew(1_000_000)
    box.slot(2000)
    assert box.next_live(2000) == (998_001, 1_000_000)
    assert box.next_live(2000) is None
    assert box.next_backlog(500) == (10_001, 10_500)
