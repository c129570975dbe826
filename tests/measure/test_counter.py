import json
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.measure.counter import CounterRules, Mark, Tally
from edge.status import Reason
from tests.counter_world import CounterWorld, ten_million

HOUR = 3600.0
SLOW = CounterRules.of_bits(32, greatest_rate=1.0)  # 62 pulses a minute are the most


def tally_at(raw, pulses=0):
    return Tally(pulses, Mark(raw, pulses), 0)


def read(tally, *numbers, seconds=60.0, rules=SLOW):
    """Return the pulses and the reason after every number."""
    seen = []
    for raw in numbers:
        tally, reason = tally.advance(raw, tally.utc_ms + 60_000, seconds, rules)
        seen.append((tally.pulses, reason))
    return seen


def saved_and_restored(tally):
    return Tally.from_state(json.loads(json.dumps(tally.state())))


# --- how far a counter can have got


def test_the_most_is_two_percent_and_a_pulse_above_the_greatest_rate():
    rules = CounterRules.of_bits(32, greatest_rate=10.0)
    assert rules.most(100.0) == 1021
    assert rules.most(0.0) == 1


@pytest.mark.parametrize("seconds", [None, 5.0])
def test_without_a_greatest_rate_it_is_less_than_half_a_turn(seconds):
    assert CounterRules.of_bits(8).most(seconds) == 127
    assert CounterRules.of_digits(3).most(seconds) == 499


def test_in_an_unknown_time_it_is_less_than_half_a_turn():
    assert CounterRules.of_bits(16, greatest_rate=0.1).most(None) == 32767


@pytest.mark.parametrize("modulus", [0, 1, 10, 128, 1 << 65, 1 << 8 | 1, 10**20, 1001])
def test_rules_for_no_counter_there_is(modulus):
    with pytest.raises(ValueError, match=f"rolls over at {modulus}"):
        CounterRules(modulus)


@pytest.mark.parametrize("rate", [0.0, -1.0, float("inf"), float("nan")])
def test_a_greatest_rate_must_be_one(rate):
    with pytest.raises(ValueError, match="greatest rate"):
        CounterRules.of_bits(16, rate)


@pytest.mark.parametrize("raw", [-1, 65536])
def test_a_number_the_counter_cannot_show(raw):
    rules = CounterRules.of_bits(16)
    with pytest.raises(ValueError, match=f"rolls over at 65536 cannot stand at {raw}"):
        Tally.begin(raw, 0, rules)
    with pytest.raises(ValueError, match="cannot stand"):
        tally_at(5).advance(raw, 0, 60.0, rules)


# --- one reading


def test_counting_begins_at_nought_wherever_the_counter_stands():
    assert Tally.begin(4711, 9, SLOW) == Tally(0, Mark(4711, 0), 9)


def test_counting_on():
    tally, reason = tally_at(100, pulses=10).advance(130, 60_000, 60.0, SLOW)
    assert (tally, reason) == (Tally(40, Mark(130, 40), 60_000), Reason.OK)


def test_no_pulse_at_all():
    assert read(tally_at(100, pulses=10), 100) == [(10, Reason.OK)]


@pytest.mark.parametrize("modulus", [2**8, 2**13, 2**64, 10**3, 10**9])
def test_rollover(modulus):
    rules = CounterRules(modulus, greatest_rate=1.0)
    assert read(tally_at(modulus - 3), 2, rules=rules) == [(5, Reason.OK)]


def test_the_largest_step_that_is_believed():
    assert read(tally_at(1000), 1062) == [(62, Reason.OK)]
    assert read(tally_at(1000), 1063) == [(0, Reason.IMPLAUSIBLE_JUMP)]


def test_unread_so_long_that_it_may_have_rolled_over_twice():
    rules = CounterRules.of_bits(8, greatest_rate=1.0)
    assert read(tally_at(200), 44, seconds=249.0, rules=rules) == [(100, Reason.OK)]
    assert read(tally_at(200), 44, seconds=250.0, rules=rules) == [(100, Reason.MANY_ROLLOVERS)]


@pytest.mark.parametrize("seconds", [None, -5.0])
def test_after_a_time_unknown_up_to_half_a_turn_is_believed(seconds):
    far = (1 << 31) - 1
    assert read(tally_at(7), 7 + far, seconds=seconds) == [(far, Reason.OK)]
    assert read(tally_at(7), 8 + far, seconds=seconds) == [(0, Reason.IMPLAUSIBLE_JUMP)]


# --- counters that begin anew


def test_a_reset_counts_what_was_made_since():
    assert read(tally_at(5000, pulses=70), 12, 30) == [
        (82, Reason.COUNTER_RESET),
        (100, Reason.OK),
    ]


def test_below_the_baseline_but_too_far_from_nought_is_no_reset():
    assert read(tally_at(5000), 62)[0] == (62, Reason.COUNTER_RESET)
    assert read(tally_at(5000), 63)[0] == (0, Reason.IMPLAUSIBLE_JUMP)


@pytest.mark.parametrize("rules", [SLOW, CounterRules.of_bits(32)])
def test_a_nought_shown_by_a_starting_device_costs_and_invents_nothing(rules):
    assert read(tally_at(1_000_000), 0, 1_000_005, 1_000_015, rules=rules) == [
        (0, Reason.COUNTER_RESET),
        (5, Reason.OK),
        (15, Reason.OK),
    ]


def test_pulses_counted_wrongly_from_nought_are_made_up_for():
    assert read(tally_at(1_000_000, pulses=100), 40, 1_000_005, 1_000_035, 1_000_045) == [
        (140, Reason.COUNTER_RESET),
        (140, Reason.OK),
        (140, Reason.OK),
        (145, Reason.OK),
    ]


# --- numbers that do not fit


def test_a_single_wrong_number_costs_nothing():
    assert read(tally_at(1000), 1010, 900_000, 1030, 1040) == [
        (10, Reason.OK),
        (10, Reason.IMPLAUSIBLE_JUMP),
        (30, Reason.OK),
        (40, Reason.OK),
    ]


def test_wrong_numbers_in_a_row_cost_nothing():
    assert [pulses for pulses, _ in read(tally_at(1000), 900_000, 800_000, 55_000, 1090)] == [
        0, 0, 0, 90,
    ]  # fmt: skip


def test_a_swapped_meter_is_believed_at_its_second_number():
    assert read(tally_at(1000, pulses=7), 5000, 5030, 5040) == [
        (7, Reason.IMPLAUSIBLE_JUMP),
        (37, Reason.COUNTER_RESET),
        (47, Reason.OK),
    ]


@given(silence=st.floats(60.0, 30 * 86400.0), made=st.integers(0, 61))
def test_the_growing_reach_of_the_old_baseline_does_not_swallow_a_swap(silence, made):
    tally, reason = tally_at(1000).advance(5000, 60_000, 60.0, SLOW)
    assert reason is Reason.IMPLAUSIBLE_JUMP
    tally, reason = tally.advance(5000 + made, 0, silence, SLOW)
    assert (tally.pulses, reason) == (made, Reason.COUNTER_RESET)


def test_a_jump_within_what_has_come_within_reach_since_is_not_swallowed_either():
    # At 1101 the old baseline would explain 101 pulses by 2 minutes, the suspect explains one.
    assert read(tally_at(1000), 1100, 1101) == [
        (0, Reason.IMPLAUSIBLE_JUMP),
        (1, Reason.COUNTER_RESET),
    ]


def test_after_a_wrong_number_the_time_since_the_baseline_counts():
    tally, _ = tally_at(1000).advance(900_000, 0, HOUR, SLOW)
    tally, reason = tally.advance(1000 + 7000, 0, HOUR, SLOW)
    assert (tally.pulses, reason) == (7000, Reason.OK)


def test_a_wrong_number_passed_in_a_long_silence_costs_the_pulses_up_to_it():
    # The price of believing swaps: see the top of the module.
    tally, _ = tally_at(1000).advance(3000, 0, 60.0, SLOW)
    tally, reason = tally.advance(4000, 0, HOUR, SLOW)
    assert (tally.pulses, reason) == (1000, Reason.COUNTER_RESET)


def test_a_reset_while_there_is_a_suspect():
    assert read(tally_at(5000), 900_000, 30, 40) == [
        (0, Reason.IMPLAUSIBLE_JUMP),
        (30, Reason.COUNTER_RESET),
        (40, Reason.OK),
    ]


def test_a_swap_after_a_silence_of_many_turns_is_many_rollovers():
    rules = CounterRules.of_bits(8, greatest_rate=0.5)
    tally, reason = tally_at(10).advance(200, 0, 60.0, rules)
    assert reason is Reason.IMPLAUSIBLE_JUMP
    tally, reason = tally.advance(205, 0, HOUR, rules)
    assert (tally.pulses, reason) == (5, Reason.MANY_ROLLOVERS)


def test_a_suspect_survives_a_restart():
    tally, _ = tally_at(1000).advance(5000, 60_000, 60.0, SLOW)
    restored = saved_and_restored(tally)
    assert restored == tally
    # The clock was not to be trusted over the restart: half a turn is believed, of the nearer mark.
    tally, reason = restored.advance(5030, 0, None, SLOW)
    assert (tally.pulses, reason) == (30, Reason.COUNTER_RESET)
    assert tally.baseline.age == 0.0


def test_what_was_before_a_reset_survives_a_restart():
    tally, _ = tally_at(2**63 - 5).advance(0, 60_000, None, CounterRules.of_bits(64))
    assert tally.before == Mark(2**63 - 5, 0, None)
    assert saved_and_restored(tally) == tally


# --- whatever happens

COUNTERS = st.one_of(
    st.integers(8, 64).map(lambda bits: 1 << bits), st.integers(3, 9).map(lambda d: 10**d)
)
POLLS = st.lists(
    st.tuples(st.floats(0, 1), st.sampled_from(["read", "read", "missed", "reset"])), max_size=80
)


@given(modulus=COUNTERS, start=st.floats(0, 1), speed=st.floats(0, 1), polls=POLLS)
def test_no_observable_pulse_is_lost_or_invented(modulus, start, speed, polls):
    """Whatever rolls over, is reset to nought, or goes unread for up to four polls.

    A pulse is observable unless it was made between a reading and a reset before the next one. A
    reset is observable unless the last number lay so near an end of the counter that the numbers
    of the next two readings could have followed from it by counting on; see `CounterWorld`.
    """
    a_poll = 1 + int(speed * (modulus // 6))
    rules = CounterRules(modulus, greatest_rate=a_poll / 60.0)
    world = CounterWorld(rules, min(int(start * modulus), modulus - 1), silence=240.0)
    tally = Tally.begin(world.stand, 0, rules)
    for share, event in polls:
        world.run(int(share * a_poll), 60.0)
        was_reset = event == "reset" and world.reset()
        if event == "missed" and not world.must_be_read:
            continue
        raw, seconds = world.read()
        tally, reason = saved_and_restored(tally).advance(raw, 0, seconds, rules)
        assert tally.pulses == world.observable
        assert (reason is Reason.COUNTER_RESET) or not was_reset


@given(modulus=COUNTERS, start=st.floats(0, 1), shares=st.lists(st.floats(0, 1), max_size=60))
def test_without_a_greatest_rate_less_than_half_a_turn_is_counted_exactly(modulus, start, shares):
    rules = CounterRules(modulus)
    raw = min(int(start * modulus), modulus - 1)
    tally, made = Tally.begin(raw, 0, rules), 0
    for share in shares:
        step = min(int(share * modulus / 2), modulus // 2 - 1)
        raw, made = (raw + step) % modulus, made + step
        tally, reason = tally.advance(raw, 0, None, rules)
        assert (tally.pulses, reason) == (made, Reason.OK)


@given(
    modulus=COUNTERS,
    rate=st.none() | st.floats(1e-3, 1e6),
    readings=st.lists(
        st.tuples(st.floats(0, 1), st.none() | st.floats(-10, 1e7)), min_size=1, max_size=60
    ),
)
def test_pulses_never_decrease_and_never_exceed_what_can_have_been_made(modulus, rate, readings):
    rules = CounterRules(modulus, rate)
    tally = Tally.begin(0, 0, rules)
    totals = [0]
    for place, seconds in readings:
        raw = min(int(place * modulus), modulus - 1)
        tally, reason = tally.advance(raw, 0, seconds, rules)
        assert tally.baseline.raw == raw or reason is Reason.IMPLAUSIBLE_JUMP
        totals.append(tally.pulses)
    assert all(before <= after for before, after in pairwise(totals))


@pytest.mark.parametrize("seed", [1, 2])
def test_ten_million_pulses_to_the_pulse(seed):
    observable, counted, what_befell = ten_million(seed)
    assert counted == observable, what_befell
    assert 9_000_000 < observable < 10_000_000  # some fell to resets


def test_a_bare_count_and_number_are_a_state_too():
    tally = Tally.from_state({"pulses": 70, "raw": 5000})
    assert tally == Tally(70, Mark(5000, 70, None), 0)
    # When that was is unknown, so half a turn is believed, however much time goes by.
    assert read(tally, 1_000_000) == [(995_070, Reason.OK)]
