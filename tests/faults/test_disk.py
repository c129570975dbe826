"""What the power cuts stand on: the record of a program's calls, and the disk that loses power."""

import subprocess
import sys
from itertools import islice
from pathlib import Path
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.faults import power_cut
from tests.faults.disk import Disk
from tests.faults.journal_rounds import rounds
from tests.faults.strace import (
    AT_END,
    Opened,
    Renamed,
    Said,
    Synced,
    Truncated,
    UnknownCallError,
    Unlinked,
    Written,
    operations,
    trace,
)

WELL = Path("/well")


def hexed(text):
    return "".join(f"\\x{byte:02x}" for byte in text.encode())


def handle(number, name):
    return f"{number}<{hexed(f'/well/{name}')}>"


def test_calls_become_operations():
    path = hexed("/well/a")
    lines = [
        f'7 openat(AT_FDCWD<{hexed("/")}>, "{path}", O_RDWR|O_CREAT, 0644) = 3<{path}>',
        f'7 pwrite64({handle(3, "a")}, "{hexed("level")}", 5, 512) = 5',
        f'7 write({handle(3, "a")}, "{hexed("abc")}", 3) = 3',
        f'7 write({handle(3, "a")}, "{hexed("de")}", 2) = 2',
        f"7 lseek({handle(3, 'a')}, 0, SEEK_SET) = 0",
        f'7 write({handle(3, "a")}, "{hexed("f")}", 1 <unfinished ...>',
        f'8 write(1<pipe:[12]>, "{hexed("committed 1")}", 11) = 11',
        "7 <... write resumed>) = 1",
        f"7 ftruncate({handle(3, 'a')}, 2) = 0",
        f"7 fdatasync({handle(3, 'a')}) = 0",
        f"7 fsync(4<{hexed('/well')}>) = 0",
        f'7 rename("{path}", "{hexed("/well/b")}") = 0',
        f'7 unlink("{hexed("/well/b")}") = 0',
        f'7 unlink("{hexed("/well/b")}") = -1 ENOENT (No such file or directory)',
        f'7 unlink("{hexed("/elsewhere/a")}") = 0',
        f'7 pwrite64({handle(5, "a-shm")}, "{hexed("x")}", 1, 0) = 1',
        f"7 mmap(NULL, 4096, PROT_READ|PROT_WRITE, MAP_SHARED, {handle(5, 'a-shm')}, 0) = 0x7f0000",
        "7 +++ exited with 0 +++",
    ]
    assert list(operations(lines, WELL)) == [
        Opened("a", create=True, empty=False),
        Written("a", 512, b"level"),
        Written("a", 0, b"abc"),
        Written("a", 3, b"de"),
        Said("committed 1"),
        Written("a", 0, b"f"),
        Truncated("a", 2),
        Synced("a"),
        Synced(""),
        Renamed("a", "b"),
        Unlinked("b"),
    ]


@pytest.mark.parametrize(
    "line",
    [
        f"7 fallocate({handle(3, 'a')}, 0, 0, 4096) = 0",
        f"7 mmap(NULL, 4096, PROT_READ|PROT_WRITE, MAP_SHARED, {handle(3, 'a')}, 0) = 0x7f0000",
        f'7 rename("{hexed("/elsewhere/a")}", "{hexed("/well/a")}") = 0',
    ],
)
def test_a_call_that_is_not_understood_is_not_passed_over(line):
    with pytest.raises(UnknownCallError):
        list(operations([line], WELL))


def test_a_real_program_is_followed(tmp_path):
    program = f"""
import os
with open({str(tmp_path / "log")!r}, "ab") as file:
    file.write(b"first ")
    file.flush()
    file.write(b"second")
    file.flush()
    os.fsync(file.fileno())
os.write(1, b"done")
"""
    done = trace([sys.executable, "-c", program], tmp_path, tmp_path.with_suffix(".strace"))
    assert done == [
        Opened("log", create=True, empty=False),
        Written("log", AT_END, b"first "),
        Written("log", AT_END, b"second"),
        Synced("log"),
        Said("done"),
    ]
    disk = Disk()
    for operation in done:
        disk.do(operation)
    assert disk.seen() == {"log": b"first second"}


def test_a_program_that_fails_is_no_trace(tmp_path):
    with pytest.raises(subprocess.CalledProcessError):
        trace([sys.executable, "-c", "raise SystemExit(3)"], tmp_path, tmp_path / "record")


def after_cuts(disk, cuts=200):
    return [disk.after_cut(Random(seed)) for seed in range(cuts)]


def test_what_was_flushed_outlives_every_cut():
    disk = Disk({"a": b"old"})
    disk.do(Written("a", 0, b"new" * 400))
    disk.do(Synced("a"))
    assert all(files == {"a": b"new" * 400} for files in after_cuts(disk))


def test_of_what_was_not_flushed_any_sector_may_be_there():
    disk = Disk({"a": bytes(1024)})
    disk.do(Written("a", 0, b"x" * 1024))
    found = {files["a"] for files in after_cuts(disk)}
    halves = {b"x" * 512, bytes(512)}
    assert {first + last for first in halves for last in halves} <= found
    # Now and then one is torn.
    assert any(content[:512] not in halves for content in found)
    assert set(disk.fates) == {"kept", "dropped", "torn"}


def test_a_sector_is_torn_only_within_what_was_written_to_it():
    disk = Disk({"a": b"o" * 512})
    disk.do(Written("a", 100, b"n" * 100))
    for files in after_cuts(disk, 1000):
        assert files["a"][:100] == b"o" * 100
        assert files["a"][200:] == b"o" * 312


def test_a_name_is_sure_once_the_directory_was_flushed():
    disk = Disk()
    disk.do(Opened("a", create=True, empty=False))
    disk.do(Written("a", 0, b"level"))
    disk.do(Synced("a"))
    assert {"a" in files for files in after_cuts(disk)} == {True, False}
    disk.do(Synced(""))
    assert all(files == {"a": b"level"} for files in after_cuts(disk))


def test_renaming_is_one_step():
    disk = Disk({"a": b"old", "a.new": b"new"})
    disk.do(Renamed("a.new", "a"))
    assert {tuple(sorted(files.items())) for files in after_cuts(disk)} == {
        (("a", b"old"), ("a.new", b"new")),
        (("a", b"new"),),
    }


def test_what_was_taken_away_may_come_back():
    disk = Disk({"a": b"old"})
    disk.do(Unlinked("a"))
    assert disk.seen() == {}
    assert {"a" in files for files in after_cuts(disk)} == {True, False}
    disk.do(Synced(""))
    assert after_cuts(disk) == [{}] * 200


changes = st.one_of(
    st.builds(Written, st.just("a"), st.integers(0, 2000), st.binary(min_size=1, max_size=1500)),
    st.builds(Truncated, st.just("a"), st.integers(0, 2500)),
    st.just(Synced("a")),
)


@given(st.lists(changes), st.integers(0, 1000))
def test_without_a_cut_the_disk_is_a_file(done, seed):
    disk, file = Disk({"a": b""}), bytearray()
    for change in done:
        disk.do(change)
        if isinstance(change, Written):
            file.extend(bytes(max(0, change.offset - len(file))))
            file[change.offset : change.offset + len(change.data)] = change.data
        elif isinstance(change, Truncated):
            file = file[: change.length].ljust(change.length, b"\0")
    assert disk.seen() == {"a": bytes(file)}
    disk.do(Synced("a"))
    assert disk.after_cut(Random(seed)) == {"a": bytes(file)}


def test_a_journal_that_would_not_flush_is_found_out(tmp_path, monkeypatch):
    monkeypatch.setattr(power_cut, "ROUNDS", 90)
    complaints = []
    before, calls = power_cut._trace(5, tmp_path / "traced", complaints, old=False)
    assert complaints == []
    written = list(islice(rounds(5), 90))
    for unflushed in (False, True):
        done = [one for one in calls if not (unflushed and isinstance(one, Synced))]
        tally, promises, disk = power_cut.Tally(), power_cut.Promises(), Disk(before)
        for number, place in enumerate(power_cut._played(done, [len(done) // 2], disk, promises)):
            assert place == len(done) // 2
            for seed in range(4):
                after = tmp_path / f"{unflushed}-{number}-{seed}"
                power_cut._lay_out(disk.after_cut(Random(seed)), after)
                power_cut._judge(after / power_cut.JOURNAL, written, promises, tally)
        assert promises.committed > 0
        assert bool(tally.faults) is unflushed
        assert bool(tally.lost) is unflushed
