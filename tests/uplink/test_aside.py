"""What would not go, and the one reading in it that never will."""

from hypothesis import given
from hypothesis import strategies as st

from edge.uplink.aside import Aside


def slots_until_next(aside: Aside, size: int = 500) -> int:
    slots = 0
    while aside.next_piece(size) is None:
        aside.slot()
        slots += 1
    return slots


def test_it_waits_for_the_next_slot_and_then_comes_in_pieces() -> None:
    aside = Aside()
    assert not aside
    assert aside.next_piece(10) is None
    aside.add(1, 40, halve=False)
    assert aside.next_piece(10) is None
    aside.slot()
    assert aside.next_piece(10) == (1, 10)
    aside.remove(1, 10)
    assert aside.next_piece(100) == (11, 40)
    assert list(aside) == [(11, 40)]


def test_a_piece_that_fails_again_gives_way_and_the_pauses_grow() -> None:
    aside = Aside()
    aside.add(1, 4, halve=True)
    pauses, pieces = [], []
    for _ in range(12):
        pauses.append(slots_until_next(aside, 2))
        piece = aside.next_piece(2)
        assert piece
        pieces.append(piece)
        aside.add(*piece, halve=True)
    assert pieces[:7] == [(1, 2), (3, 3), (4, 4), (1, 1), (2, 2), (3, 3), (4, 4)]
    assert pauses == [1, 1, 2, 4, 8, 16, 32, 64, 128, 256, 256, 256]


def test_what_is_dropped_is_no_longer_tried() -> None:
    aside = Aside()
    aside.add(5, 8, halve=False)
    aside.remove(1, 4)
    aside.remove(7, 20)
    aside.slot()
    assert aside.next_piece(10) == (5, 6)
    aside.remove(5, 6)
    assert not aside


@given(st.sets(st.integers(1, 300), max_size=4), st.integers(1, 300))
def test_in_the_end_only_the_readings_that_never_go_stay_behind(
    poison: set[int], last: int
) -> None:
    aside = Aside()
    aside.add(1, last, halve=True)
    tries = 0
    while {n for low, high in aside for n in range(low, high + 1)} - poison:
        slots_until_next(aside)
        first, end = aside.next_piece(500) or (0, 0)
        if poison & set(range(first, end + 1)):
            aside.add(first, end, halve=True)
        else:
            aside.remove(first, end)
        tries += 1
        assert tries < 400
    left = {n for low, high in aside for n in range(low, high + 1)}
    assert left == {n for n in poison if n <= last}
