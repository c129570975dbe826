"""One output by itself, against a relay that may lose replies, be dead, or move by itself."""

from itertools import pairwise
from math import inf

from hypothesis import given, settings
from hypothesis import strategies as st

from edge.field.output import Output, OutputRules
from edge.status import Reason

WRITES_AT_ONE_INSTANT = 4
"""A failure is followed by one try at once, a change by a look; more would be an endless loop."""


class Relay:
    """A relay as it truly is, and a runner that does what `Output` says."""

    def __init__(self, rules, *, on, asked=True):
        self.rules = rules
        self.on = on
        self.changed_at = -inf
        self.asked = asked
        self.now = 0.0
        self.output = Output(rules, 0.0)
        self.does = "ok"
        self.writes = []
        self.too_short = []

    def go(self, seconds):
        """Let time pass, doing what is due at every instant that `next_due` names."""
        until = self.now + seconds
        while True:
            self.do_what_is_due()
            due = self.output.next_due(self.now)
            if due > until:
                break
            assert due > self.now, "nothing is due, and yet it is to be asked at once"
            self.now = due
        self.now = until
        self.do_what_is_due()

    def do_what_is_due(self):
        for _ in range(WRITES_AT_ONE_INSTANT):
            if (on := self.output.due(self.now)) is None:
                return
            self.bring_to(on)
        assert self.output.due(self.now) is None

    def bring_to(self, on):
        output = self.output
        if output.sure and on == output.on:
            output.found(self.now, self.look())
            if output.known:
                output.wrote(self.now, on, self.write(on))
            return
        reason = self.write(on)
        output.wrote(self.now, on, reason)
        if reason is Reason.OK:
            output.found(self.now, self.look())

    def write(self, on):
        self.writes.append((self.now, on))
        if self.does in {"ok", "mute"}:
            self.become(on)
        return Reason.OK if self.does in {"ok", "stuck"} else Reason.NO_REPLY

    def look(self):
        if not self.asked:
            return None
        return self.on if self.does in {"ok", "stuck"} else Reason.NO_REPLY

    def become(self, on):
        if on == self.on:
            return
        least = self.rules.least_off if on else self.rules.least_on
        if self.now - self.changed_at < least - 1e-6:
            self.too_short.append((self.changed_at, self.now, on))
        self.on, self.changed_at = on, self.now

    def move_by_itself(self):
        # The least times are promised from what livezero did, or found.
        self.on, self.changed_at = not self.on, -inf


spans = st.floats(0, 2000, allow_nan=False)
rules = st.builds(
    OutputRules,
    at_rest=st.booleans(),
    least_on=st.sampled_from([0.0, 7.0, 300.0]),
    least_off=st.sampled_from([0.0, 11.0, 600.0]),
    warm_up=st.sampled_from([0.0, 5.0]),
    refresh=st.sampled_from([60.0, 45.5, inf]),
    retry_limit=st.sampled_from([1.0, 60.0, 300.0]),
)
steps = st.lists(
    st.tuples(
        st.sampled_from(["wait", "on", "off", "ok", "mute", "dead", "stuck", "move", "spared"]),
        spans,
    ),
    max_size=40,
)


def act(relay, what):
    if what in {"on", "off"}:
        relay.output.wanted = what == "on"
    elif what in {"ok", "mute", "dead", "stuck"}:
        relay.does = what
    elif what == "move":
        relay.move_by_itself()
    elif what == "spared":
        relay.output.passed_over(relay.now, relay.now + relay.rules.retry_limit)


@settings(max_examples=300, deadline=None)
@given(rules, steps, st.booleans())
def test_never_on_or_off_for_less_than_the_least_times(rules, steps, on):
    """Whatever is wanted, lost, dead or stuck.

    "mute": it does as told, and the reply is lost; "spared": its board is said not to answer.
    """
    relay = Relay(rules, on=on)
    for what, seconds in steps:
        act(relay, what)
        relay.go(seconds)
    assert relay.too_short == []


def test_what_may_not_be_on_any_more_is_not_told_on_again():
    """A dead relay, a least time longer than its pauses: else each try would begin it anew."""
    relay = Relay(OutputRules(least_on=600, refresh=60, retry_limit=300), on=False)
    relay.go(10)
    relay.does = "dead"
    relay.output.wanted = True
    relay.go(10)
    told_on_at = max(at for at, on in relay.writes if on)
    relay.output.wanted = False
    before = len(relay.writes)
    relay.go(6 * 3600)
    later = relay.writes[before:]
    assert {on for _, on in later} == {False}
    assert later[0][0] >= told_on_at + 600
    relay.does = "ok"
    relay.go(600)
    assert relay.output.known
    assert not any(on for _, on in relay.writes[before:])


@settings(max_examples=200, deadline=None)
@given(rules, steps, st.booleans(), st.booleans())
def test_once_the_relay_is_well_it_comes_to_be_as_wanted(rules, steps, on, asked):
    relay = Relay(rules, on=on, asked=asked)
    # What moved by itself, or said what it did not do, is put right by a look or a refresh only.
    never_noticed = set()
    if rules.refresh == inf:
        never_noticed = {"move"} if asked else {"move", "stuck"}
    for what, seconds in steps:
        if what not in never_noticed:
            act(relay, what)
        relay.go(seconds)
    relay.does = "ok"
    relay.go(rules.least_on + rules.least_off + 2 * rules.retry_limit + 700)
    assert relay.on == relay.output.on == relay.output.wanted
    assert relay.output.known
    assert relay.output.reason is Reason.OK


@settings(max_examples=200, deadline=None)
@given(rules, steps)
def test_warm_is_only_what_has_been_on_for_the_whole_warm_up(rules, steps):
    relay = Relay(rules, on=False)
    for what, seconds in steps:
        if what != "move":  # what moves by itself is not noticed at once
            act(relay, what)
        relay.go(seconds)
        if relay.now >= relay.output.warm_at and relay.does != "stuck":
            assert relay.on
            assert relay.now - relay.changed_at >= rules.warm_up - 1e-6


@settings(max_examples=100, deadline=None)
@given(rules, spans)
def test_a_dead_relay_is_tried_seldom_and_never_forgotten(rules, seconds):
    relay = Relay(rules, on=False)
    relay.does = "dead"
    relay.go(seconds + 4000)
    tries = [at for at, _ in relay.writes]
    gaps = [later - earlier for earlier, later in pairwise(tries)]
    assert gaps[:2] == [0.0, 1.0]
    assert gaps == sorted(gaps)
    assert gaps[-1] == rules.retry_limit
    assert relay.output.reason is Reason.NO_REPLY
    assert not relay.output.known


def test_at_the_start_it_is_taken_to_be_in_its_safe_state_since_just_now():
    relay = Relay(OutputRules(at_rest=False, least_off=60.0), on=False)
    relay.output.wanted = True
    relay.go(59)
    assert relay.writes == [(0.0, False)]
    relay.go(2)
    assert relay.writes[1:] == [(60.0, True)]


def test_warm_up_is_counted_from_the_switching_that_succeeded():
    relay = Relay(OutputRules(warm_up=5.0), on=False)
    relay.does = "dead"
    relay.output.wanted = True
    relay.go(1.5)
    assert relay.output.warm_at == inf
    relay.does = "ok"
    relay.go(2)
    assert relay.writes == [(0.0, True), (0.0, True), (1.0, True), (3.0, True)]
    assert relay.output.warm_at == 8.0


def test_a_refresh_looks_first_and_puts_right_what_moved_by_itself():
    relay = Relay(OutputRules(least_off=30.0, refresh=60.0), on=False)
    relay.output.wanted = True
    relay.go(100)
    assert relay.on
    relay.move_by_itself()
    relay.go(200)
    assert relay.on
    # On since 30 s, looked at every 60 s: found off at 150 s; off for its least time, then on.
    assert relay.changed_at == 180.0
    assert relay.output.known


def test_a_stuck_contact_is_a_failure_until_it_moves():
    relay = Relay(OutputRules(refresh=60.0), on=False)
    relay.output.wanted = True
    relay.go(1)
    relay.does = "stuck"
    relay.output.wanted = False
    relay.go(3600)
    assert relay.output.reason is Reason.NOT_AS_SWITCHED
    assert relay.output.on
    assert relay.output.warm_at == inf
    relay.does = "ok"
    relay.go(300)
    assert relay.output.reason is Reason.OK
    assert not relay.on


def test_what_cannot_be_asked_is_taken_to_be_as_told():
    output = Output(OutputRules(), 0.0)
    output.wanted = True
    assert output.due(0.0) is True
    assert output.wrote(0.0, True, Reason.OK) is False
    assert not output.known  # not before it was looked at
    output.found(0.0, None)
    assert output.known
    assert output.on
    assert output.due(1e9) is None


def test_the_same_failure_again_is_no_news():
    output = Output(OutputRules(), 0.0)
    assert output.wrote(0.0, False, Reason.NO_REPLY) is True
    assert output.wrote(0.0, False, Reason.NO_REPLY) is False
    assert output.wrote(1.0, False, Reason.OK) is False
    assert output.found(1.0, False) is True
    assert output.found(2.0, Reason.NO_REPLY) is True
