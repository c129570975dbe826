"""Pauses between tries, and which version of MQTT is tried."""

from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.uplink.backoff import BackOff, RetainChoice, ShortConnections, VersionChoice


@given(st.integers())
def test_pauses_double_from_a_second_to_five_minutes(seed: int) -> None:
    back_off = BackOff(Random(seed))
    ceiling = 2.0
    for _ in range(12):
        assert ceiling / 2 <= back_off.next() <= ceiling
        ceiling = min(300.0, 2 * ceiling)
    assert ceiling == 300.0
    back_off.reset()
    assert 1.0 <= back_off.next() <= 2.0


def test_two_stations_do_not_come_back_in_step() -> None:
    assert BackOff(Random(1)).next() != BackOff(Random(2)).next()


def test_a_pause_can_be_made_long_at_once() -> None:
    back_off = BackOff(Random(1))
    back_off.lengthen()
    assert 150.0 <= back_off.next() <= 300.0
    back_off.reset()
    back_off.lengthen(2)
    assert 4.0 <= back_off.next() <= 8.0
    assert 8.0 <= back_off.next() <= 16.0
    back_off.lengthen(1)  # no shorter than it would have been
    assert 16.0 <= back_off.next() <= 32.0


def test_three_short_connections_in_a_row_are_no_chance() -> None:
    short = ShortConnections()
    assert [short.ended(lasted) for lasted in (1, 1, 6, 4, 0, 2, 4.9, 400, 1)] == [
        False, False, False, False, False, True, True, False, False,
    ]  # fmt: skip
    assert short.in_a_row == 1


def tried_in_vain(choice: VersionChoice, times: int) -> list[str]:
    tried = []
    for _ in range(times):
        tried.append(choice.current)
        choice.not_understood()
    return tried


def test_silence_is_no_proof_that_a_broker_is_an_old_one() -> None:
    choice = VersionChoice("auto")
    assert tried_in_vain(choice, 5) == ["5", "5", "5", "3.1.1", "5"]
    assert choice.current == "5"
    assert tried_in_vain(choice, 2) == ["5", "5"]
    choice.worked()  # in 3.1.1; the next connection begins with 5 again
    assert tried_in_vain(choice, 2) == ["5", "3.1.1"]
    choice.worked()
    assert tried_in_vain(choice, 3) == ["5", "5", "5"]  # 5 works: that stands


def test_what_a_broker_says_of_a_version_is_believed() -> None:
    choice = VersionChoice("auto")
    choice.not_understood(said_so=True)
    assert tried_in_vain(choice, 3) == ["3.1.1", "3.1.1", "3.1.1"]
    choice.worked()
    assert choice.current == "3.1.1"


@pytest.mark.parametrize("wanted", ["5", "3.1.1"])
def test_a_version_asked_for_stands(wanted: str) -> None:
    choice = VersionChoice(wanted)
    choice.not_understood()
    assert choice.current == wanted


def test_short_connections_that_we_left_ourselves_are_no_sign_of_trouble() -> None:
    short = ShortConnections()
    assert [short.ended(1.0), short.ended(1.0)] == [False, False]
    short.left()
    assert not short.ended(1.0)


def test_a_retained_will_is_left_out_by_turns_until_that_has_proved_right() -> None:
    retain = RetainChoice()
    retain.hung_up()
    assert not retain.current
    retain.hung_up()  # that was not it
    assert retain.current
    for _ in range(2):
        retain.hung_up()
        assert not retain.current
        retain.worked()
    assert not retain.current
    retain.hung_up()
    retain.worked()
    assert not retain.current


def test_a_retained_will_that_works_clears_all_doubt() -> None:
    retain = RetainChoice()
    retain.hung_up()
    retain.worked()
    assert retain.current
    retain.worked()
    retain.hung_up()
    retain.worked()
    assert retain.current
    retain.refused()
    retain.hung_up()
    assert not retain.current
