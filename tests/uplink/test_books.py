"""The receiver's books, against a plain set of numbers."""

from hypothesis import given
from hypothesis import strategies as st

from edge.readings import Gap, Journalled, WhyGone
from edge.status import Reason
from edge.uplink.books import Books, Library
from edge.uplink.senml import decode, encode
from edge.uplink.stated_gaps import encode_gaps


def reading(seq: int) -> Journalled:
    return Journalled(seq, "level" if seq % 3 else "head", 60_000 * seq, seq / 4, Reason.OK)


def pack(first: int, last: int, station: str = "ash-creek-2", journal: str = "") -> bytes:
    rows = [reading(seq) for seq in range(first, last + 1)]
    return encode(rows, station, {"level": "m"}, journal)


def gap(first: int, last: int, why: WhyGone = WhyGone.DROPPED) -> Gap:
    return Gap(first, last, why, 60_000 * first, None, 5_000_000)


ranges = st.tuples(st.integers(1, 60), st.integers(0, 20)).map(lambda r: (r[0], r[0] + r[1]))


@given(st.lists(ranges, min_size=1))
def test_new_duplicate_and_missing_numbers_are_told_however_packs_are_cut(
    cuts: list[tuple[int, int]],
) -> None:
    books, seen, arrived = Books(), set[int](), 0
    for first, last in cuts:
        numbers = set(range(first, last + 1))
        assert [one.seq for one in books.enter(decode(pack(first, last)))] == sorted(numbers - seen)
        seen |= numbers
        arrived += len(numbers)
    assert (books.packs, books.arrived, books.duplicates) == (
        len(cuts),
        arrived,
        arrived - len(seen),
    )
    missing = {number for first, last in books.gaps() for number in range(first, last + 1)}
    assert missing == set(range(min(seen), max(seen))) - seen
    assert {one.seq for one in books.latest.values()} == {
        max(group)
        for group in ({s for s in seen if s % 3}, {s for s in seen if not s % 3})
        if group
    }


def test_a_late_reading_is_not_the_latest() -> None:
    books = Books()
    books.enter(decode(pack(10, 10)))
    books.enter(decode(pack(1, 2)))
    assert books.latest["level"] == reading(10)


def test_a_new_journal_is_no_duplicate_of_the_old_one() -> None:
    books = Books()
    books.enter(decode(pack(1, 10, journal="old")))
    new = books.enter(decode(pack(1, 3, journal="new")))
    assert [one.seq for one in new] == [1, 2, 3]
    assert (books.duplicates, books.distinct, books.arrived) == (0, 13, 13)
    assert list(books.seen) == [(1, 3)]
    assert books.latest == {"level": reading(2), "head": reading(3)}
    books.enter(decode(pack(8, 12, journal="new")))
    books.enter(decode(pack(5, 12, journal="old")))
    assert books.gaps() == [(4, 7)]
    assert books.duplicates == 6


@given(st.lists(ranges, min_size=1), st.lists(ranges))
def test_only_what_no_stated_gap_covers_is_missing(
    cuts: list[tuple[int, int]], stated: list[tuple[int, int]]
) -> None:
    books, seen, gone = Books(), set[int](), set[int]()
    for first, last in cuts:
        books.enter(decode(pack(first, last, journal="j")))
        seen |= set(range(first, last + 1))
    for first, last in stated:
        books.explain(gap(first, last, WhyGone.THINNED), "j")
        gone |= set(range(first, last + 1))
    missing = {number for first, last in books.gaps() for number in range(first, last + 1)}
    assert missing == set(range(min(seen), max(seen))) - seen - gone
    assert books.explained().get(WhyGone.THINNED, 0) == len(gone - seen)


def test_gaps_are_stated_for_one_journal_of_one_station() -> None:
    library = Library()
    for journal in ("old", "new"):
        library.take(pack(1, 2, journal=journal))
        library.take(pack(6, 7, journal=journal))
    library.take_gaps(encode_gaps([gap(3, 4), gap(5, 5, WhyGone.LOST)], "ash-creek-2", "old"))
    library.take_gaps(encode_gaps([gap(3, 3)], "ash-creek-2", "new"))
    books = library.books["ash-creek-2"]
    assert books.gaps() == [(4, 5)]
    assert books.explained() == {WhyGone.DROPPED: 3, WhyGone.LOST: 1}
    library.take_gaps(b"{}")
    assert library.malformed == 1


def test_what_cannot_be_read_is_counted_and_changes_nothing() -> None:
    library = Library()
    assert library.take(b"[]") == ("", [])
    assert (library.malformed, library.books) == (1, {})


def test_books_without_an_entry_have_no_gaps() -> None:
    assert (Books().packs, Books().gaps(), list(Books().seen)) == (0, [], [])
    only_gaps = Books()
    only_gaps.explain(gap(1, 5))
    assert (only_gaps.gaps(), only_gaps.explained()) == ([], {WhyGone.DROPPED: 5})


def test_a_library_keeps_stations_apart() -> None:
    library = Library()
    assert library.take(pack(1, 2, "ash-creek-1"))[0] == "ash-creek-1"
    station, new = library.take(pack(2, 3, "ash-creek-2"))
    assert (station, [one.seq for one in new]) == ("ash-creek-2", [2, 3])
    assert library.take(pack(2, 2, "ash-creek-1")) == ("ash-creek-1", [])
    assert library.take(b"?") == ("", [])
    assert library.malformed == 1
    assert {name: books.duplicates for name, books in library.books.items()} == {
        "ash-creek-1": 1,
        "ash-creek-2": 0,
    }
