"""Any rules of load shedding, any history of the battery, under the eyes of the referee."""

import json
from math import inf, nan

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edge.energy import stages
from edge.energy.stages import NORMAL, Act, Effects, Evidence, Rules, Stage
from tests.energy.histories import main, run
from tests.energy.referee import KINDS, Findings, Witnessed, falls_and_rises


@st.composite
def any_rules(draw):
    """Draw rules that `livezero check` would let pass; in these, 1 to 6 stages."""
    centivolts = draw(st.lists(st.integers(1050, 1260), min_size=1, max_size=6, unique=True))
    cutoffs = sorted((one / 100 for one in centivolts), reverse=True)
    spans = draw(st.lists(st.integers(1, 150), min_size=len(cutoffs), max_size=len(cutoffs)))
    restores = [cut + span / 100 for cut, span in zip(cutoffs, spans, strict=True)]
    restores.sort(reverse=True)
    dwells = draw(st.lists(st.integers(1, 4000), min_size=len(cutoffs), max_size=len(cutoffs)))
    halts = draw(st.booleans())
    ladder = tuple(
        Stage(f"s{n}", cutoff, restore, dwell, Effects(halt=halts and n == len(cutoffs)))
        for n, (cutoff, restore, dwell) in enumerate(zip(cutoffs, restores, dwells, strict=True), 1)
    )
    return Rules(
        ladder,
        safe_stage=draw(st.sampled_from([NORMAL, *(stage.name for stage in ladder)])),
        lost_after=draw(st.integers(10, 4000)),
        smoothing=draw(st.integers(0, 2000)),
        volts_per_degree=draw(st.sampled_from([0.0, -0.024, 0.01])),
    )


VOLTS = st.one_of(
    st.floats(10.0, 14.5),
    st.sampled_from([None, nan, inf, 9.0, 16.8, 8.9, 17.0]),
    st.floats(),
)
CELSIUS = st.one_of(st.none(), st.floats(-40, 60), st.floats())
# Time since the last, voltage, temperature, how many times the like, whether it restarts after.
SPELLS = st.lists(
    st.tuples(st.floats(0.1, 5000), VOLTS, CELSIUS, st.integers(1, 6), st.booleans()), max_size=30
)


@settings(max_examples=300, deadline=None)
@given(any_rules(), SPELLS)
def test_no_rule_is_broken_in_any_history(rules, spells):
    findings = Findings()
    witnessed = Witnessed(rules, 0.0, findings)
    now = 0.0
    for pause, volts, celsius, times, restarts in spells:
        for _ in range(times):
            now += pause
            witnessed.take(now, volts, celsius)
        if restarts and times == 1:
            now += pause
            witnessed.restart(now)
    assert not findings.violations


@settings(max_examples=200, deadline=None)
@given(any_rules())
def test_every_stage_is_reached_and_left_again(rules):
    findings = Findings()
    deepest = len(rules.stages)
    there_and_back = [*range(deepest + 1), *reversed(range(deepest))]
    assert falls_and_rises(rules, findings) == there_and_back
    assert not findings.violations


class TestTheCommand:
    def test_it_counts_what_it_saw(self, capsys):
        assert main(["--count", "40", "--json"]) == 0
        account = json.loads(capsys.readouterr().out)
        assert account["ok"]
        assert account["histories"] == 40
        assert account["samples"] > 40 * 20
        assert set(account["violations"]) == set(KINDS)
        entries = sum(stage["entries"] for stage in account["stages"])
        exits = sum(stage["exits"] for stage in account["stages"])
        assert entries == exits == account["moves"] > 40
        assert account["moves_to_safe"] > 0
        assert account["restarts"] > 0
        assert account["halts"] > 0

    def test_the_same_again_by_number(self):
        whole = run(6, seed=3)
        parts = [run(1, seed=3, first=number) for number in range(6)]
        assert whole["moves"] == sum(part["moves"] for part in parts)
        assert whole["samples"] == sum(part["samples"] for part in parts)

    def test_as_text(self, capsys):
        assert main(["--count", "2"]) == 0
        text = capsys.readouterr().out
        assert text.startswith("2 histories, seed 1: ")
        assert "         0  a stage left before its dwell" in text

    def test_a_count_of_nothing(self, capsys):
        with pytest.raises(SystemExit) as left:
            main(["--count", "0"])
        assert left.value.code == 2
        assert "found 0, expected 1 or more" in capsys.readouterr().err


class TestTheReferee:
    """It would be worth nothing if it let a broken machine pass."""

    @pytest.mark.parametrize(
        ("row", "act", "kinds"),
        [
            ((Evidence.LOW, False), Act.DEEPER, {"left-early", "short-cycle"}),
            ((Evidence.HIGH, False), Act.SHALLOWER, {"left-early", "short-cycle"}),
            ((Evidence.LONG_UNKNOWN, False), Act.TO_SAFE, {"left-early"}),
            ((Evidence.HIGH, True), Act.HOLD, {"shallower-missed", "unreachable"}),
            ((Evidence.LOW, True), Act.HOLD, {"deeper-missed", "unreachable"}),
            ((Evidence.LONG_UNKNOWN, True), Act.HOLD, {"safe-missed"}),
            ((Evidence.LOW, True), Act.TO_SAFE, {"safe-unfounded", "unreachable"}),
            ((Evidence.UNKNOWN, True), Act.TO_SAFE, {"safe-unfounded"}),
        ],
    )
    def test_it_sees_a_wrong_row(self, monkeypatch, row, act, kinds):
        monkeypatch.setitem(stages.ACTS, row, act)
        found = run(60, seed=1)
        assert not found["ok"]
        seen = {kind for kind, count in found["violations"].items() if count}
        assert kinds <= seen
        assert found["complaints"]

    def test_it_sees_too_few_samples_decide(self, monkeypatch, capsys):
        monkeypatch.setattr(stages, "_LEAST_SAMPLES", 1)
        assert main(["--count", "60", "--json"]) == 1
        found = json.loads(capsys.readouterr().out)["violations"]
        assert found["deeper-unfounded"] > 0
        assert found["shallower-unfounded"] > 0
        assert found["wrong-halt"] > 0

    def test_it_sees_a_median_of_another_kind(self, monkeypatch):
        monkeypatch.setattr(stages, "median_high", min)
        found = run(60, seed=1)["violations"]
        assert found["deeper-unfounded"] > 0
        assert found["shallower-missed"] > 0
