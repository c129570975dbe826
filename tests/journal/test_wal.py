"""Frames of real logs. The format: https://www.sqlite.org/fileformat2.html, section 4."""

import sqlite3

import pytest

from edge.journal import wal

FRAME = 24 + 4096


@pytest.fixture
def log(tmp_path):
    """The log of ten transactions, and what pages of the file hold after them."""
    path = tmp_path / "well.sqlite"
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("CREATE TABLE t (id INTEGER PRIMARY KEY, a TEXT)")
    for number in range(10):
        db.execute("INSERT INTO t VALUES (?, ?)", (number, f"{number}" * 900))
    content = path.with_name("well.sqlite-wal").read_bytes()
    db.close()
    return bytearray(content), path.read_bytes()


def frames(content):
    return list(wal.frames(lambda at, size: bytes(content[at : at + size]), 4096))


def test_the_newest_frames_are_what_sqlite_makes_of_the_file(log):
    content, file = log
    found = frames(content)
    assert len(found) == (len(content) - 32) // FRAME
    assert all(frame.sound and frame.current for frame in found)
    assert found[-1].commits
    assert sum(frame.commits for frame in found) == 11
    for page, at in {frame.page: frame.at for frame in found}.items():
        assert content[at : at + 4096] == file[(page - 1) * 4096 : page * 4096]
    assert wal.page_size(content) == 4096


@pytest.mark.parametrize("place", [0, 8, 23, 24, 24 + 4095])
def test_one_flipped_bit_costs_one_frame(log, place):
    content, _ = log
    content[32 + 4 * FRAME + place] ^= 0x10
    found = frames(content)
    believed = [frame.sound and frame.current for frame in found]
    assert believed == [index != 4 for index in range(len(found))]


def test_without_its_header_all_but_the_first_frame_can_be_checked(log):
    content, _ = log
    content[:32] = bytes(32)
    found = frames(content)
    assert [frame.sound for frame in found] == [False, *[True] * (len(found) - 1)]
    assert all(frame.current for frame in found)
    assert wal.page_size(content) == 0


def test_what_an_earlier_round_left_is_not_current(log):
    content, _ = log
    content[32 + 3 * FRAME + 8] ^= 1  # the salt
    assert [frame.current for frame in frames(content)].count(False) == 1


@pytest.mark.parametrize("content", [b"", b"short", bytes(32), bytes(5000)])
def test_what_is_no_log_has_no_sound_frame(content):
    assert not any(frame.sound and frame.page for frame in frames(content))
