"""SQLite itself is the witness: what it wrote and what it reads back is what must be found.

The format: https://www.sqlite.org/fileformat2.html.
"""

import sqlite3
from contextlib import closing

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edge.journal import pages
from edge.journal.pages import Shape, Tree, index_records, kind, shape_of, table_rows

WHOLE = st.one_of(st.integers(-(2**63), 2**63 - 1), st.sampled_from([0, 1, 127, -128, 2**47]))
TEXTS = st.text(st.characters(blacklist_categories=["Cs"], blacklist_characters="\0"))
LONG = st.builds(lambda text, times: text * times, TEXTS, st.integers(1, 300))
VALUES = st.one_of(
    st.none(), WHOLE, st.floats(allow_nan=False), TEXTS, LONG, st.binary(max_size=3000)
)
ROWS = st.dictionaries(WHOLE, st.tuples(VALUES, VALUES, VALUES), max_size=60)


def database(page_size, statements):
    """Return the bytes of a database file that SQLite makes of ``statements`` and their rows."""
    with closing(sqlite3.connect(":memory:")) as db:
        db.execute(f"PRAGMA page_size = {page_size}")
        for statement, rows in statements:
            db.executemany(statement, rows) if rows is not None else db.execute(statement)
        db.commit()
        return db.serialize()


def pager(file, size):
    return lambda number: file[(number - 1) * size : number * size] if number > 0 else b""


def roots(file, shape):
    rows = table_rows(file[: shape.page_size], 1, shape, pager(file, shape.page_size))
    return {values[1]: values[3] for _, values in rows}


def found_in(file, table):
    """Return all rows of a table, or all records of one without row ids."""
    shape = shape_of(file)
    fetch = pager(file, shape.page_size)
    seen = bytearray(len(file) // shape.page_size + 1)
    tree = Tree(roots(file, shape)[table], shape, fetch, seen)
    rows, records = {}, []
    for number, page in tree.pages():
        rows |= dict(table_rows(page, number, shape, fetch))
        records += index_records(page, number, shape, fetch)
    assert not tree.broken
    return rows or records


@settings(max_examples=30, deadline=None)
@given(ROWS, st.sampled_from([512, 1024, 4096, 65536]))
def test_every_row_that_sqlite_holds_is_found_as_it_is(rows, page_size):
    made = [
        ("CREATE TABLE t (id INTEGER PRIMARY KEY, a, b, c)", None),
        ("INSERT INTO t VALUES (?, ?, ?, ?)", [(key, *row) for key, row in rows.items()]),
    ]
    found = found_in(database(page_size, made), "t")
    assert found == {key: (None, *row) for key, row in rows.items()} or (not rows and not found)


@settings(max_examples=20, deadline=None)
@given(st.dictionaries(TEXTS, LONG, max_size=60), st.sampled_from([512, 4096]))
def test_every_record_of_a_table_without_row_ids_is_found(states, page_size):
    made = [
        ("CREATE TABLE s (channel TEXT PRIMARY KEY, state TEXT) WITHOUT ROWID", None),
        ("INSERT INTO s VALUES (?, ?)", list(states.items())),
    ]
    assert dict(found_in(database(page_size, made), "s")) == states


def test_it_finds_many_rows_over_many_pages():
    rows = [(n, n * 0.5) for n in range(1, 5001)]
    made = [
        ("CREATE TABLE t (id INTEGER PRIMARY KEY, a REAL)", None),
        ("INSERT INTO t VALUES (?, ?)", rows),
    ]
    assert found_in(database(512, made), "t") == {n: (None, half) for n, half in rows}


def test_deleted_rows_are_not_found():
    made = [
        ("CREATE TABLE t (id INTEGER PRIMARY KEY, a)", None),
        ("INSERT INTO t VALUES (?, ?)", [(n, "x" * 20) for n in range(40)]),
        ("DELETE FROM t WHERE id % 3 = 0", None),
    ]
    assert set(found_in(database(4096, made), "t")) == {n for n in range(40) if n % 3}


PAGE_OF_EACH_KIND = [
    page
    for file in [
        database(
            512,
            [
                ("CREATE TABLE t (id INTEGER PRIMARY KEY, a)", None),
                ("INSERT INTO t VALUES (?, ?)", [(n, "x" * (n * 9)) for n in range(90)]),
                ("CREATE TABLE s (a TEXT PRIMARY KEY, b) WITHOUT ROWID", None),
                ("INSERT INTO s VALUES (?, ?)", [(f"{n}", "y" * n) for n in range(120)]),
            ],
        )
    ]
    for page in {
        kind(file[at : at + 512], 2): file[at : at + 512] for at in range(0, len(file), 512)
    }.values()
]


@settings(max_examples=150, deadline=None)
@given(
    st.one_of(st.binary(max_size=700), st.sampled_from(PAGE_OF_EACH_KIND)),
    st.lists(st.tuples(st.integers(0, 699), st.integers(0, 255)), max_size=40),
    st.integers(1, 3),
)
def test_no_bytes_raise(page, changes, number):
    damaged = bytearray(page)
    for at, byte in changes:
        if at < len(damaged):
            damaged[at] = byte
    page = bytes(damaged)
    shape = Shape(512)
    seen = bytearray(4)
    shape_of(page)
    for _ in Tree(number, shape, lambda _: page, seen).pages():
        pass
    rows = [*table_rows(page, number, shape, lambda _: page)]
    records = [*index_records(page, number, shape, lambda _: page)]
    assert len(rows) + len(records) <= 512


def test_pages_that_name_each_other_are_gone_into_once():
    # An interior page of a table (kind 5) whose only child is the other one.
    page = {n: bytes([5, *[0] * 7, 0, 0, 0, 3 - n]).ljust(512, b"\0") for n in (1, 2)}
    page[1] = page[1].rjust(612, b"\0")[:512]
    tree = Tree(2, Shape(512), lambda number: page.get(number, b""), bytearray(3))
    assert [number for number, _ in tree.pages()] == [2, 1]
    assert tree.broken == 1


@pytest.mark.parametrize(
    ("at", "value"), [(0, b"X"), (16, b"\0\0"), (16, b"\x12\x34"), (16, b"\1\0"), (20, b"\xff")]
)
def test_a_header_that_makes_no_sense_tells_nothing(at, value):
    header = bytearray(database(512, [("CREATE TABLE t (a)", None)])[:100])
    assert shape_of(header) == Shape(512)
    header[at : at + len(value)] = value
    assert shape_of(bytes(header)) is None
    assert pages.pages_by_header(bytes(header)) == 0
