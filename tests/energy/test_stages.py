"""Load shedding: the table row by row, then what the voltage, restarts and halting lead to.

That holds for one set of rules; `test_histories` goes through any rules and any history.
"""

import json
from dataclasses import replace
from itertools import pairwise, product
from math import inf, nan
from random import Random

import pytest

from edge.energy.stages import (
    ACTS,
    NORMAL,
    Effects,
    Evidence,
    Move,
    Rules,
    Shedding,
    Stage,
    transitions,
)

MINUTE = 60.0
HOUR = 3600.0
LEAN = Stage("lean", 12.1, 12.6, 20 * MINUTE, Effects(stretch_sampling=5))
SPARSE = Stage("sparse", 11.8, 12.5, 30 * MINUTE, Effects(stretch_sampling=10))
DARK = Stage("dark", 11.4, 12.4, 40 * MINUTE, Effects(stretch_sampling=10, halt=True))
RULES = Rules((LEAN, SPARSE, DARK), safe_stage="lean")
"""Median over 5 min, safe stage after an hour; cutoffs about as in common practice, no source."""
FULL = 13.2


def machine_in(stage, rules=RULES, now=0.0):
    """Return a machine that goes on in a stage at ``now``."""
    machine = Shedding(rules, now)
    index = [one.name for one in rules.ladder].index(stage)
    machine.restore({"stage": stage, "index": index, "why": "the test"}, now)
    return machine


def fed(machine, volts, begin, end, *, every=MINUTE, celsius=None):
    """Feed samples at ``begin``, ... up to and with ``end``; return the stages entered."""
    entered = []
    now = begin
    while now <= end:
        if machine.take(now, volts, celsius):
            entered.append(machine.stage.name)
        now += every
    return entered


class TestTheTable:
    def test_it_has_a_row_for_all_that_can_be(self):
        assert set(ACTS) == set(product(Evidence, (False, True)))

    @pytest.mark.parametrize(
        ("evidence", "settled", "after"),
        [
            (Evidence.LOW, False, "lean"),
            (Evidence.BETWEEN, False, "lean"),
            (Evidence.HIGH, False, "lean"),
            (Evidence.UNKNOWN, False, "lean"),
            (Evidence.LONG_UNKNOWN, False, "lean"),
            (Evidence.LOW, True, "sparse"),
            (Evidence.BETWEEN, True, "lean"),
            (Evidence.HIGH, True, "normal"),
            (Evidence.UNKNOWN, True, "lean"),
            (Evidence.LONG_UNKNOWN, True, "dark"),
        ],
    )
    def test_every_row(self, evidence, settled, after):
        # A dwell longer than the time after which an unknown voltage counts, so that all can be.
        slow = replace(LEAN, dwell=2 * HOUR)
        rules = replace(RULES, stages=(slow, SPARSE, DARK), safe_stage="dark")
        machine = machine_in("lean", rules)
        volts = {Evidence.LOW: 11.79, Evidence.BETWEEN: 12.3, Evidence.HIGH: 12.61}.get(evidence)
        known_until = 2 * HOUR - 30 * MINUTE if evidence is Evidence.UNKNOWN else 0
        assert fed(machine, 12.3, 0, known_until) == []
        end = 2 * HOUR if settled else 2 * HOUR - 1
        assert fed(machine, volts, end - 2 * MINUTE, end) == ([] if after == "lean" else [after])
        assert machine.settled(end) is (settled if after == "lean" else False)

    @pytest.mark.parametrize("row", transitions(RULES), ids=" / ".join)
    def test_what_is_printed_is_what_is_done(self, row):
        stage, evidence, dwell, done = row
        machine = machine_in(stage)
        # The longest dwell is 40 min, and an hour without a voltage is long.
        end = {"not yet": 19 * MINUTE, "passed": 41 * MINUTE}[dwell]
        if evidence.startswith("not known for"):
            # The last voltage was known at the start, from which the dwell counts as well.
            end = {"not yet": 0, "passed": HOUR}[dwell]
        volts = {
            "below": lambda words: float(words[1]) - 0.01,
            "above": lambda words: float(words[1]) + 0.01,
            "not": lambda words: None,
        }.get(evidence.split()[0], lambda words: float(words[0]))(evidence.split())
        fed(machine, volts, max(0, end - 2 * MINUTE), end)
        halted = machine.halts(end)
        found = machine.stage.name if machine.stage.name == stage else f"enter {machine.stage.name}"
        expected = stage if done in {"stay", "halt again"} else done
        assert found == expected
        assert halted is (done in {"halt again", "enter dark"})

    def test_a_row_for_each_stage_and_whatever_can_be_there(self):
        rows = transitions(RULES)
        assert len(rows) == len(set(rows))
        # Ten a stage, less two where there is nothing above or nothing below.
        assert len(rows) == 4 * 10 - 2 - 2
        assert ("dark", "12.4 V or less", "passed", "halt again") in rows
        assert ("dark", "not known for 60 min", "passed", "enter lean") in rows
        assert ("normal", "12.1 V or more", "passed", "stay") in rows
        assert ("sparse", "11.4 V to 12.5 V", "passed", "stay") in rows

    def test_a_station_without_stages_stays_as_it_is(self):
        machine = Shedding(Rules(()), 0.0)
        assert fed(machine, 9.5, 0, 5 * HOUR) == []
        assert machine.stage.effects == Effects()


class TestMoving:
    def test_from_stage_to_stage_and_back_with_the_reasons(self):
        machine = Shedding(RULES, 0.0)
        moves = []
        for minute in range(200):
            # Falls by a tenth of a volt in ten minutes, and rises faster.
            volts = 12.604 - 0.01 * minute if minute < 100 else 11.604 + 0.015 * (minute - 100)
            move = machine.take(minute * MINUTE, volts)
            if move:
                moves.append((move.before, move.after, move.why, machine.stage.name))
        assert moves == [
            (0, 1, "12.09 V, below 12.1 V", "lean"),
            (1, 2, "11.79 V, below 11.8 V", "sparse"),
            (2, 1, "12.504 V, above 12.5 V", "lean"),
            (1, 0, "12.80 V, above 12.6 V", "normal"),
        ]
        assert machine.why == "12.80 V, above 12.6 V"

    @pytest.mark.parametrize(("volts", "after"), [(12.1, []), (12.0999, ["lean"])])
    def test_a_cutoff_is_reached_only_below_it(self, volts, after):
        assert fed(Shedding(RULES, 0.0), volts, 0, HOUR) == after

    @pytest.mark.parametrize(("volts", "after"), [(12.6, []), (12.6001, [NORMAL])])
    def test_and_a_restore_voltage_only_above(self, volts, after):
        assert fed(machine_in("lean"), volts, 0, HOUR) == after

    def test_one_stage_after_the_other_however_low(self):
        machine = Shedding(RULES, 0.0)
        entered = {}
        for minute in range(180):
            if machine.take(minute * MINUTE, 10.9):
                entered[machine.stage.name] = minute
        # Normal has the dwell of the first stage, 20 min; then that of lean, and of sparse.
        assert entered == {"lean": 20, "sparse": 40, "dark": 70}

    def test_the_shortest_way_there_and_back(self):
        machine = Shedding(RULES, 0.0)
        entered = []
        for second in range(0, 8000, 10):
            # A loose connection: full, and flat as soon as the stage allows it.
            volts = 11.0 if machine.index == 0 else FULL
            if machine.take(second, volts):
                entered.append(second)
        assert len(entered) > 4
        gaps = [later - sooner for sooner, later in pairwise(entered)]
        assert min(gaps) >= LEAN.dwell

    def test_what_is_shed_stays_shed_in_deeper_stages(self):
        first = Effects(stretch_sampling=4, publish_at=(360,), off=frozenset({"lamp"}))
        second = Effects(stretch_publishing=3, off=frozenset({"modem"}), stopped=frozenset({"tty"}))
        third = Effects(stretch_sampling=2, publish_at=(720, 1080), halt=True)
        assert first.and_also(second).and_also(third) == Effects(
            stretch_sampling=4,
            stretch_publishing=3,
            publish_at=(720, 1080),
            off=frozenset({"lamp", "modem"}),
            stopped=frozenset({"tty"}),
            halt=True,
        )
        assert third.and_also(Effects()).halt


class TestSags:
    """A modem takes amperes while it sends, and the battery's voltage sags by its resistance."""

    @staticmethod
    def entered(samples, rules=RULES):
        machine = Shedding(rules, 0.0)
        return [machine.stage.name for now, volts in samples if machine.take(now, volts)]

    @pytest.mark.parametrize("phase", range(5))
    def test_every_fifth_sample_sags(self, phase):
        # A minute's sampling and five minutes' sending, both on the wall clock. The median is over
        # five minutes as well: the sample that is just leaving it sags with the one that enters.
        samples = [(n * MINUTE, 11.0 if n % 5 == phase else 12.3) for n in range(24 * 60)]
        assert self.entered(samples) == []
        flat = [(n * MINUTE, 11.0 if n % 5 == phase else 12.05) for n in range(30)]
        assert self.entered(flat) == ["lean"]

    def test_a_sag_of_two_samples_in_five(self):
        assert self.entered([(n * MINUTE, 11.0 if n % 5 < 2 else 12.3) for n in range(600)]) == []

    @pytest.mark.parametrize("of", [3, 4, 5, 7, 10])
    @pytest.mark.parametrize("smoothing", [0, 2, 3, 4, 5, 7, 9, 12])
    def test_three_samples_or_more_from_sending_to_sending(self, of, smoothing):
        rules = replace(RULES, smoothing=smoothing * MINUTE)
        samples = [(n * MINUTE, 11.0 if n % of == 0 else 12.3) for n in range(300)]
        assert self.entered(samples, rules) == []
        random = Random(f"{of}/{smoothing}")
        late = [(now + random.uniform(0, 20), volts) for now, volts in samples]
        assert self.entered(late, rules) == []

    def test_what_no_smoothing_can_tell_from_a_flat_battery(self):
        # Sampled only when the modem sends: five minutes' sampling, five minutes' sending.
        assert self.entered([(n * 5 * MINUTE, 11.9) for n in range(6)]) == ["lean"]

    def test_a_sag_right_after_a_silence_decides_nothing(self):
        machine = Shedding(replace(RULES, safe_stage=NORMAL), 0.0)
        fed(machine, 12.8, 0, HOUR)
        fed(machine, None, HOUR, 9 * HOUR)
        assert fed(machine, 11.0, 9 * HOUR, 9 * HOUR) == []
        assert machine.voltage == 11.0
        assert fed(machine, 12.8, 9 * HOUR + MINUTE, 10 * HOUR) == []
        # Before the third sample nothing, at the third what two of three say.
        fed(machine, None, 10 * HOUR, 19 * HOUR)
        assert fed(machine, 11.0, 19 * HOUR, 19 * HOUR + MINUTE) == []
        assert fed(machine, 11.0, 19 * HOUR + 2 * MINUTE, 19 * HOUR + 2 * MINUTE) == ["lean"]

    def test_what_was_measured_before_a_silence_does_not_count(self):
        # An hour of samples in the median, more than the silence lasts.
        rules = replace(RULES, smoothing=HOUR, lost_after=10 * MINUTE, safe_stage=NORMAL)
        machine = Shedding(rules, 0.0)
        fed(machine, 12.8, 0, HOUR)
        assert fed(machine, 12.0, HOUR + 11 * MINUTE, HOUR + 13 * MINUTE) == ["lean"]

    def test_a_silence_is_longer_than_the_time_after_which_the_voltage_is_lost(self):
        # Once an hour, with an hour to be lost after: what a plan goes by.
        assert fed(Shedding(RULES, 0.0), 12.0, HOUR, 3 * HOUR, every=HOUR) == ["lean"]
        assert fed(Shedding(RULES, 0.0), 12.0, HOUR, 9 * HOUR, every=HOUR + 1) == []

    def test_three_samples_are_kept_however_seldom_they_come(self):
        machine = Shedding(RULES, 0.0)
        assert fed(machine, 12.3, 0, 2 * HOUR, every=50 * MINUTE) == []
        assert machine.take(2.5 * HOUR, 11.0) is None
        assert machine.voltage == 12.3
        assert machine.take(3 * HOUR, 11.0) == Move(0, 1, "11.00 V, below 12.1 V")


class TestTemperature:
    # Four millivolts a cell and degree, six cells: common practice is 3 to 5, no source.
    RULES = replace(RULES, volts_per_degree=-0.024)

    @pytest.mark.parametrize(
        ("volts", "celsius", "entered"),
        [
            (12.5, 25.0, []),
            (12.5, 5.0, ["lean"]),  # the cutoff is 12.58 V
            (12.59, 5.0, []),
            (11.7, 45.0, []),  # 11.62 V
            (11.6, 45.0, ["lean"]),
        ],
    )
    def test_cutoffs_fall_as_it_warms(self, volts, celsius, entered):
        machine = Shedding(self.RULES, 0.0)
        assert fed(machine, volts, 0, 25 * MINUTE, celsius=celsius) == entered
        assert machine.voltage == pytest.approx(volts + 0.024 * (celsius - 25))

    def test_restore_voltages_too(self):
        # 12.6 V at 25 °C are 13.32 V at -5 °C.
        assert fed(machine_in("lean", self.RULES), 13.31, 0, HOUR, celsius=-5.0) == []
        assert fed(machine_in("lean", self.RULES), 13.33, 0, HOUR, celsius=-5.0) == [NORMAL]

    @pytest.mark.parametrize("nothing", [None, nan, inf, -inf, 85.0, -127.0, 80.1, -60.1])
    def test_a_temperature_that_cannot_be_stands_as_it_was_and_then_for_nothing(self, nothing):
        machine = Shedding(self.RULES, 0.0)
        fed(machine, 12.9, 0, 5 * MINUTE, celsius=5.0)
        fed(machine, 12.9, 6 * MINUTE, 64 * MINUTE, celsius=nothing)
        assert machine.voltage == pytest.approx(12.9 - 0.48)
        fed(machine, 12.9, 65 * MINUTE, 67 * MINUTE, celsius=nothing)
        assert machine.voltage == pytest.approx(12.9)

    def test_it_is_taken_while_the_voltage_is_not_known(self):
        machine = Shedding(self.RULES, 0.0)
        machine.take(0, None, 5.0)
        machine.take(MINUTE, 12.9, None)
        assert machine.voltage == pytest.approx(12.9 - 0.48)


class TestUnknown:
    @pytest.mark.parametrize("volts", [None, nan, inf, -inf, 8.99, 16.81, 0.0, -12.6])
    @pytest.mark.parametrize("stage", [NORMAL, "lean", "sparse", "dark"])
    def test_the_stage_is_held_and_then_the_safe_one(self, volts, stage):
        machine = machine_in(stage)
        fed(machine, 12.3, 0, 2 * MINUTE)
        # Not settled: whatever stage it is stands.
        assert machine.stage.name == stage
        assert fed(machine, volts, 3 * MINUTE, 61 * MINUTE) == []
        assert machine.lost
        assert machine.voltage is None
        entered = fed(machine, volts, 62 * MINUTE, 20 * HOUR)
        # From deeper stages it is shallower, and several steps at once.
        assert entered == ([] if stage == "lean" else ["lean"])
        if entered:
            assert machine.why == "the battery's voltage has not been known for 60 min"

    @pytest.mark.parametrize("volts", [9.0, 16.8])
    def test_what_is_just_believed(self, volts):
        machine = Shedding(RULES, 0.0)
        machine.take(0, volts)
        assert machine.voltage == volts
        assert not machine.lost

    def test_a_missing_sample_now_and_then_changes_nothing(self):
        machine = Shedding(RULES, 0.0)
        fed(machine, 12.3, 0, 10 * MINUTE)
        machine.take(11 * MINUTE, None)
        assert machine.lost
        machine.take(12 * MINUTE, 11.0)
        assert not machine.lost
        assert machine.voltage == 12.3
        # One in an hour that can be believed is enough to be known.
        assert fed(machine, None, 13 * MINUTE, 71 * MINUTE) == []
        machine.take(72 * MINUTE - 1, 12.3)
        assert fed(machine, None, 72 * MINUTE, 130 * MINUTE) == []

    def test_the_safe_stage_may_be_the_deeper_one(self):
        machine = Shedding(replace(RULES, safe_stage="sparse"), 0.0)
        assert fed(machine, None, 0, 59 * MINUTE) == []
        move = machine.take(HOUR, None)
        assert (move.before, move.after) == (0, 2)

    def test_the_dwell_holds_for_the_safe_stage_too(self):
        rules = replace(RULES, lost_after=MINUTE, safe_stage="sparse")
        machine = machine_in("dark", rules)
        assert fed(machine, None, 0, 40 * MINUTE - 1, every=1) == []
        assert fed(machine, None, 40 * MINUTE, 40 * MINUTE) == ["sparse"]

    def test_when_the_voltage_is_back_it_decides_again(self):
        machine = Shedding(RULES, 0.0)
        assert fed(machine, None, 0, 5 * HOUR) == ["lean"]
        assert fed(machine, FULL, 5 * HOUR, 5 * HOUR + MINUTE) == []
        assert fed(machine, FULL, 5 * HOUR + 2 * MINUTE, 6 * HOUR) == [NORMAL]


class TestRestart:
    @pytest.mark.parametrize("stage", [NORMAL, "lean", "sparse", "dark"])
    def test_goes_on_in_the_same_stage_with_its_dwell_anew(self, stage):
        before = machine_in(stage)
        fed(before, 12.3, 0, 10 * MINUTE)
        state = json.loads(json.dumps(before.state()))
        after = Shedding(RULES, 7.0)
        after.restore(state, 7.0)
        assert (after.stage.name, after.why) == (stage, "the test")
        assert after.state() == state
        dwell = after.stage.dwell
        volts = FULL if stage != NORMAL else 11.0
        assert fed(after, volts, 7.0, 7.0 + dwell - 1, every=30) == []
        assert len(fed(after, volts, 7.0 + dwell, 7.0 + dwell)) == 1

    def test_all_is_counted_from_then_however_old_the_machine_is(self):
        machine = Shedding(RULES, 0.0)
        machine.restore(machine_in("sparse").state(), 2 * HOUR)
        assert fed(machine, None, 2 * HOUR, 3 * HOUR - 1) == []
        assert fed(machine, None, 3 * HOUR, 3 * HOUR) == ["lean"]
        machine = Shedding(RULES, 0.0)
        machine.restore(machine_in("sparse").state(), 2 * HOUR)
        assert fed(machine, FULL, 2 * HOUR, 2.5 * HOUR - 1) == []
        assert fed(machine, FULL, 2.5 * HOUR, 2.5 * HOUR) == ["lean"]

    def test_a_voltage_of_the_earlier_run_is_not_remembered(self):
        before = machine_in("lean")
        fed(before, 12.3, 0, HOUR)
        after = Shedding(RULES, 0.0)
        after.restore(before.state(), 0.0)
        assert after.lost

    @pytest.mark.parametrize(
        ("stages", "state", "after"),
        [
            # One was renamed: the one in its place.
            ((LEAN, replace(SPARSE, name="thin"), DARK), ("sparse", 2), "thin"),
            # There are fewer: the deepest.
            ((LEAN,), ("dark", 3), "lean"),
            ((), ("dark", 3), NORMAL),
            # There is one more before it: still itself.
            ((replace(LEAN, name="first", cutoff=12.3), LEAN, SPARSE), ("lean", 1), "lean"),
            # Whatever the place, "normal" is normal.
            ((LEAN, SPARSE), (NORMAL, 2), NORMAL),
            ((LEAN, SPARSE), (None, 1), "lean"),
        ],
    )
    def test_another_station_file(self, stages, state, after):
        machine = Shedding(Rules(stages), 0.0)
        machine.restore({"stage": state[0], "index": state[1], "why": "low"}, 0.0)
        assert machine.stage.name == after

    @pytest.mark.parametrize(
        "state",
        [
            {},
            {"stage": "lean"},
            {"stage": "lean", "index": 1},
            {"stage": "lean", "index": -1, "why": ""},
            {"stage": "lean", "index": "1", "why": ""},
            {"stage": "lean", "index": None, "why": ""},
            {"stage": "lean", "index": inf, "why": ""},
            {"stage": "lean", "index": nan, "why": ""},
            [],
            ["lean", 1, ""],
            "lean",
            None,
            7,
        ],
    )
    def test_a_state_that_makes_no_sense(self, state):
        machine = Shedding(RULES, 0.0)
        with pytest.raises((LookupError, TypeError, ValueError)):
            machine.restore(state, 5.0)
        assert machine.state() == Shedding(RULES, 0.0).state()


class TestHalting:
    def test_when_the_stage_is_entered_and_not_before(self):
        machine = machine_in("sparse")
        for minute in range(30):
            assert machine.take(minute * MINUTE, 11.3) is None
            assert not machine.halts(minute * MINUTE)
        assert machine.take(30 * MINUTE, 11.3) is not None
        assert machine.halts(30 * MINUTE)
        # It takes a moment to halt, in which the modem falls silent or the sun comes out.
        machine.take(31 * MINUTE, FULL)
        assert machine.halts(31 * MINUTE)

    def test_again_after_a_restart_when_the_voltage_stays_low(self):
        machine = machine_in("dark")
        for minute in range(40):
            machine.take(minute * MINUTE, 12.39)
            assert not machine.halts(minute * MINUTE)
        assert machine.take(40 * MINUTE, 12.39) is None
        assert machine.halts(40 * MINUTE)

    def test_not_again_when_the_voltage_is_up(self):
        machine = machine_in("dark")
        fed(machine, 12.41, 0, 40 * MINUTE - 1)
        # The dwell passes before the next sample comes.
        assert not machine.halts(40 * MINUTE)
        assert fed(machine, 12.41, 40 * MINUTE, 40 * MINUTE) == ["sparse"]
        assert not machine.halts(40 * MINUTE)

    @pytest.mark.parametrize("volts", [None, nan, 5.0])
    def test_not_again_while_the_voltage_is_not_known(self, volts):
        machine = machine_in("dark")
        for minute in range(5 * 60):
            machine.take(minute * MINUTE, volts)
            assert not machine.halts(minute * MINUTE)
        assert machine.stage.name == "lean"

    def test_not_by_two_samples(self):
        machine = machine_in("dark")
        machine.take(HOUR - 2, 11.0)
        machine.take(HOUR - 1, 11.0)
        assert not machine.halts(HOUR - 1)
        machine.take(HOUR, 11.0)
        assert machine.halts(HOUR)

    def test_stages_that_do_not_halt(self):
        for stage in (NORMAL, "lean", "sparse"):
            machine = machine_in(stage)
            machine.take(0, 11.0)
            assert not machine.halts(5 * HOUR)
