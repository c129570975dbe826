"""What of the battery's stage is journalled, remembered and told."""

from dataclasses import replace

import pytest

from edge.energy.keeper import EnergyKeeper, Instant, in_words
from edge.energy.stages import Effects, Rules, Stage
from edge.readings import Reading
from edge.status import Category, Reason

NOON = 1_772_391_600_000  # 2026-03-01 19:00 UTC
LEAN = Effects(
    stretch_sampling=4, stretch_publishing=2, off=frozenset({"modem"}), stopped=frozenset({"hatch"})
)
RULES = Rules(
    (
        Stage("lean", 12.2, 12.6, 600.0, LEAN),
        Stage("dark", 11.8, 12.4, 600.0, LEAN.and_also(Effects(halt=True))),
    ),
    safe_stage="lean",
    lost_after=3600.0,
)


def at(seconds):
    return Instant(NOON + round(seconds * 1000), float(seconds))


def keeper(state=None, now=0):
    return EnergyKeeper(RULES, at(now), state)


def fed(one, begin, end, volts, step=60):
    return [one.take(at(now), volts) for now in range(begin, end, step)]


def test_the_first_voltage_is_journalled_and_then_what_falls_due():
    one = keeper()
    first = [r for kept in fed(one, 0, 121, 12.7) for r in kept.readings]
    assert {r.series for r in first} == {"energy.stage", "energy.voltage"}
    assert one.take(at(180), 12.7).readings == []
    assert one.take(at(240), 12.7, due=True).readings == [
        Reading("energy.stage", NOON + 240_000, 0.0, Reason.OK),
        Reading("energy.voltage", NOON + 240_000, 12.7, Reason.OK),
    ]


def test_a_move_is_journalled_at_once_with_the_state_that_survives():
    one = keeper()
    (moved,) = [kept for kept in fed(one, 0, 661, 12.0) if kept.move]
    assert moved.readings[0] == Reading("energy.stage", NOON + 600_000, 1.0, Reason.OK)
    assert moved.state == {
        "stage": "lean",
        "index": 1,
        "why": "12.00 V, below 12.2 V",
        "since_ms": NOON + 600_000,
    }
    assert one.effects is LEAN
    assert not one.halts


def test_a_later_run_goes_on_in_the_stage_and_its_dwell_begins_anew():
    one = keeper()
    fed(one, 0, 661, 12.0)
    later = keeper(one.state(), now=1000)
    assert (later.effects, later.since_ms) == (LEAN, NOON + 600_000)
    assert not any(kept.move for kept in fed(later, 1000, 1600, 12.8))
    assert later.take(at(1600), 12.8).move is not None


@pytest.mark.parametrize(
    "state",
    [{}, {"stage": "lean"}, {"stage": "lean", "index": -1, "why": "", "since_ms": 0}],
)
def test_a_senseless_state_begins_anew(state):
    one = keeper(state)
    assert one.strange_state
    assert one.effects == Effects()


@pytest.mark.parametrize("since", ["then", None, -1, float("inf"), 10**18])
def test_a_senseless_time_leaves_the_stage_and_counts_from_the_start(since):
    one = keeper({"stage": "lean", "index": 1, "why": "", "since_ms": since}, now=60)
    assert not one.strange_state
    assert (one.effects, one.since_ms) == (LEAN, NOON + 60_000)
    one.condition()


def test_one_reply_that_is_lost_is_no_cause_for_alarm():
    one = keeper()
    fed(one, 0, 181, 12.7)
    assert one.take(at(240), None).readings == []
    assert one.condition().sound
    assert one.take(at(300), 12.7).readings == []


def test_a_lost_voltage_is_told_after_a_while_and_again_when_it_is_back():
    one = keeper()
    fed(one, 0, 181, 12.7)
    told = [kept.readings for kept in fed(one, 240, 541, None)]
    assert told[:-1] == [[]] * 5
    assert told[-1] == [Reading("energy.stage", NOON + 540_000, 0.0, Reason.BATTERY_UNKNOWN)]
    assert one.take(at(600), 99.0).readings == []
    condition = one.condition()
    assert condition.category is Category.FAILURE
    assert condition.found == "the battery's voltage is not known"
    assert condition.doing.endswith('held, and after 60 min "lean"')
    back = [r for kept in fed(one, 660, 841, 12.7) for r in kept.readings]
    assert back[0].reason is Reason.OK
    assert one.condition().sound


def test_what_survives_is_handed_out_with_every_record_and_not_with_moves_alone():
    """The journal may be another one by now, begun anew because the last was damaged."""
    one = keeper()
    assert one.take(at(0), 12.7).state == one.state()
    fed(one, 60, 661, 12.0)
    assert one.take(at(720), 12.0).state is None
    kept = one.take(at(780), 12.0, due=True)
    assert kept.move is None
    assert kept.state == one.state() == kept.state | {"stage": "lean", "since_ms": NOON + 600_000}


def test_a_day_with_every_tenth_reply_lost_has_no_more_records_than_another():
    one, whole = keeper(), keeper()
    told = [
        one.take(at(60 * n), None if n % 10 == 9 else 12.7, due=n % 15 == 0) for n in range(1440)
    ]
    usual = [whole.take(at(60 * n), 12.7, due=n % 15 == 0) for n in range(1440)]
    assert [len(kept.readings) > 0 for kept in told] == [len(kept.readings) > 0 for kept in usual]
    assert {r.reason for kept in told for r in kept.readings} == {Reason.OK}


def test_the_condition_says_what_is_shed_since_when_and_why():
    one = keeper()
    assert one.condition().category is Category.FUNCTION_CHECK  # nothing is known yet
    fed(one, 0, 661, 12.0)
    assert one.condition().found == "battery 12.00 V"
    assert one.condition().doing == (
        'stage "lean" since 2026-03-01 19:10 UTC (12.00 V, below 12.2 V): '
        "sampling 4 times less often, publishing 2 times less often, off: modem, not polled: hatch"
    )
    assert one.condition().category is Category.OUT_OF_SPECIFICATION


def test_the_computer_is_to_be_halted_when_the_last_stage_is_entered():
    one = keeper()
    moves = [kept.move for kept in fed(one, 0, 1261, 11.5) if kept.move]
    assert [move.after for move in moves] == [1, 2]
    assert one.halts


def test_after_a_restart_it_is_halted_again_when_the_dwell_has_shown_nothing_better():
    one = keeper()
    fed(one, 0, 1261, 11.5)
    later = keeper(one.state(), now=5000)
    fed(later, 5000, 5600, 12.0)
    assert not later.halts
    later.take(at(5600), 12.0)
    assert later.halts


def test_what_is_shed_in_words():
    assert in_words(Effects()) == "nothing is shed"
    held = Effects(publish_at=(360, 1110), stretch_publishing=6, halt=True)
    assert in_words(held) == "publishing at 06:00, 18:30 only, the computer halted"


def test_where_thresholds_follow_the_temperature_both_voltages_are_told():
    one = EnergyKeeper(replace(RULES, volts_per_degree=-0.024, reference=25.0), at(0))
    for now in range(0, 181, 60):
        one.take(at(now), 12.70, 5.0)
    assert one.condition().found == "battery 12.70 V, 12.22 V as at 25 degC"
