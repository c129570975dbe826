import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.timekeeper import Finding, Timekeeper, What, in_words

SECOND, MINUTE, HOUR, DAY = 1000, 60_000, 3_600_000, 86_400_000
BUILD = 1_767_225_600_000  # 2026-01-01
NOW = BUILD + 300 * DAY
YEAR_2099 = BUILD + 73 * 365 * DAY


def keeper(rule="synchronised", newest=None, wall=NOW, monotonic=100.0):
    return Timekeeper(rule, BUILD, newest, wall, monotonic)


def trusting(rule="synchronised", wall=NOW):
    one = keeper(rule, wall=wall)
    assert one.look(wall, 100.0, True).what is What.TRUSTED
    return one


# --- until the time is known


@pytest.mark.parametrize(
    ("wall", "newest", "shown"),
    [
        (NOW, None, NOW),
        (NOW, NOW - DAY, NOW),
        (NOW, NOW + DAY, NOW + DAY + 1),  # the clock stood still while the power was off
        (0, None, BUILD),
        (0, NOW, NOW + 1),
        (NOW, YEAR_2099, NOW),  # of two, one must be wrong: the one that is impossible
        (YEAR_2099, NOW, NOW + 1),
        (YEAR_2099, None, BUILD),
        (YEAR_2099, YEAR_2099, BUILD),
        (NOW, 0, NOW),
    ],
)
def test_provisional_time_comes_after_all_that_is_known(wall, newest, shown):
    one = keeper(newest=newest, wall=wall)
    assert not one.trusted
    assert one.utc_ms(100.0) == shown
    assert one.utc_ms(107.5) == shown + 7500


def test_provisional_time_stands_whatever_the_wall_clock_does():
    one = keeper()
    offset = one.offset_ms
    for wall in (NOW + HOUR, NOW - DAY, 0, YEAR_2099):
        assert one.look(wall, 200.0, False) is None
    assert (one.offset_ms, one.trusted) == (offset, False)
    assert "no time server" in one.doubt or "before this program" in one.doubt


def test_a_time_server_makes_the_time_known():
    one = keeper(newest=NOW)
    found = one.look(NOW + 2 * HOUR, 200.0, True)
    assert found == Finding(What.TRUSTED, 2 * HOUR - 100_001)
    assert found.words == "the time is known now; the one assumed was set forward by 1 h 58 min"
    assert (one.trusted, one.doubt) == (True, "")
    as_assumed = keeper().look(NOW - 3, 100.0, True)
    assert as_assumed.words == "the time is known now, and is as it was assumed"
    assert one.utc_ms(200.0) == NOW + 2 * HOUR


def test_a_time_before_the_program_is_not_believed_even_of_a_time_server():
    one = keeper("plausible", wall=0)
    assert one.look(DAY, 200.0, True) is None
    assert not one.trusted
    assert one.doubt == "the computer's clock shows a time before this program was made"


def test_a_time_server_is_believed_over_a_journal_of_the_future():
    one = keeper(newest=NOW + 400 * DAY)
    found = one.look(NOW, 100.0, True)
    assert found == Finding(What.TRUSTED, -400 * DAY - 1, journal_ahead_ms=400 * DAY)
    assert found.words == (
        "the time is known now; the one assumed was set back by 400 d 0 h; the journal holds "
        "readings stamped 400 d 0 h later, which cannot be right"
    )


@pytest.mark.parametrize(
    ("wall", "newest", "doubt"),
    [
        (NOW, None, ""),
        (NOW, NOW + MINUTE, ""),
        (NOW, NOW + 2 * MINUTE, "the computer's clock is 2 min behind the newest reading"),
        (NOW, YEAR_2099, ""),
        (BUILD, None, ""),
        (BUILD - 1, None, "the computer's clock shows a time before this program was made"),
        (YEAR_2099, None, "the computer's clock is decades ahead"),
    ],
)
def test_a_plausible_clock_is_one_between_the_journal_and_the_end_of_its_life(wall, newest, doubt):
    one = keeper("plausible", newest=newest, wall=wall)
    found = one.look(wall, 100.0, False)
    assert one.doubt == doubt
    assert one.trusted == (not doubt) == (found is not None)
    if one.trusted:
        assert one.utc_ms(100.0) == wall


# --- once it is


def test_small_differences_are_followed_without_a_word():
    one = trusting()
    assert one.look(NOW + 10 * SECOND + 499, 110.0, True) is None
    assert one.utc_ms(110.0) == NOW + 10 * SECOND + 499


def test_steps_of_a_time_server_are_followed_and_told():
    one = trusting()
    found = one.look(NOW - HOUR, 100.0, True)
    assert found == Finding(What.STEPPED, -HOUR)
    assert (
        found.words == "the computer's clock was set back by 1 h 0 min, and the station's with it"
    )
    assert one.utc_ms(100.0) == NOW - HOUR


def test_without_a_time_server_time_goes_on_by_itself():
    one = trusting()
    assert one.look(NOW + 400 + 9 * HOUR, 100.0 + 9 * 3600, False) is None
    assert one.trusted
    assert one.utc_ms(100.0 + 9 * 3600) == NOW + 9 * HOUR


def test_a_clock_set_by_hand_is_told_once_and_not_followed_before_it_is_confirmed():
    one = trusting()
    found = one.look(NOW + DAY, 100.0, False)
    assert found == Finding(What.NOT_FOLLOWED, DAY)
    assert "the station keeps its own" in found.words
    assert one.look(NOW + DAY + 10 * SECOND, 110.0, False) is None
    assert one.look(NOW + 2 * DAY, 120.0, False).by_ms == 2 * DAY - 20 * SECOND
    assert one.not_followed_ms == 2 * DAY - 20 * SECOND
    assert one.utc_ms(120.0) == NOW + 20 * SECOND
    assert one.look(NOW + DAY, 130.0, True) == Finding(What.STEPPED, DAY - 30 * SECOND)
    assert one.not_followed_ms == 0


def test_a_clock_that_is_set_back_to_what_it_was_is_forgotten():
    one = trusting()
    one.look(NOW + DAY, 100.0, False)
    assert one.look(NOW, 100.0, False) is None
    assert one.not_followed_ms == 0
    assert one.look(NOW + DAY, 100.0, False) is not None


def test_where_a_plausible_clock_will_do_plausible_steps_are_followed():
    one = trusting("plausible")
    assert one.look(NOW - DAY, 100.0, False) == Finding(What.STEPPED, -DAY)
    assert one.look(YEAR_2099, 100.0, False).what is What.NOT_FOLLOWED
    assert one.look(0, 100.0, True).what is What.NOT_FOLLOWED
    assert one.utc_ms(100.0) == NOW - DAY


walls = st.one_of(
    st.integers(BUILD, BUILD + 19 * 365 * DAY),
    st.integers(NOW - 2 * MINUTE, NOW + 2 * MINUTE),
    st.sampled_from([0, BUILD - 1, YEAR_2099]),
)
looks = st.lists(st.tuples(st.integers(0, 100_000), walls, st.booleans()), max_size=20)


@given(st.sampled_from(["synchronised", "plausible"]), st.none() | walls, walls, looks)
def test_time_never_jumps_without_a_word_and_trust_is_never_lost(rule, newest, first, looks):
    one, monotonic = keeper(rule, newest, first), 100.0
    for step_ms, wall, synchronised in looks:
        monotonic += step_ms / 1000
        before, trusted = one.utc_ms(monotonic), one.trusted
        found = one.look(wall, monotonic, synchronised)
        moved = one.utc_ms(monotonic) - before
        if found is None or found.what is What.NOT_FOLLOWED:
            assert abs(moved) < 500
            assert trusted == one.trusted
        else:
            assert moved == found.by_ms
            assert (found.what is What.TRUSTED) == (not trusted)
        if not one.trusted:
            assert moved == 0
        assert one.trusted >= trusted
        assert one.utc_ms(monotonic) >= BUILD


@given(st.sampled_from(["synchronised", "plausible"]), st.none() | walls, walls, looks)
def test_with_a_time_server_at_last_the_time_is_true_whatever_was_before(
    rule, newest, first, looks
):
    one, monotonic = keeper(rule, newest, first), 100.0
    for step_ms, wall, synchronised in looks:
        monotonic += step_ms / 1000
        one.look(wall, monotonic, synchronised)
    true = NOW + round(monotonic * 1000)
    one.look(true, monotonic, True)
    assert one.trusted
    assert one.utc_ms(monotonic) == true
    # And so is every moment of this boot before, which is what readings are moved by.
    assert one.utc_ms(100.0) == pytest.approx(NOW + 100_000, abs=1)


@pytest.mark.parametrize(
    ("milliseconds", "words"),
    [
        (0, "0 s"),
        (1500, "1.5 s"),
        (59_000, "59 s"),
        (3 * MINUTE, "3 min"),
        (3 * HOUR + 20 * MINUTE, "3 h 20 min"),
        (2 * DAY + 4 * HOUR, "2 d 4 h"),
    ],
)
def test_lengths_of_time_as_people_say_them(milliseconds, words):
    assert in_words(milliseconds) == words


def test_what_was_found_right_earlier_in_the_boot_stands_although_nobody_confirms_it():
    one = Timekeeper("synchronised", BUILD, NOW + 5, 0, 100.0, known_offset_ms=NOW - 100_000)
    assert one.trusted
    assert one.utc_ms(100.0) == NOW
    assert one.look(NOW, 100.0, False) is None
    assert one.look(NOW + DAY, 100.0, False).what is What.NOT_FOLLOWED
    assert one.utc_ms(100.0) == NOW
