import asyncio
import contextlib
import sqlite3

import pytest

from edge.clock import SystemClock
from edge.journal.journal import Journal
from edge.journal.retention import Retention
from edge.journal.writer import JournalWriter
from edge.measure.pulses import Tally
from edge.readings import Reading, Series
from edge.units import UNITS

KEEP_ALL = Retention(keep_ms=400 * 86_400_000, size_limit=10**9)


class ImpatientClock(SystemClock):
    """Real time, but nobody has to wait for it: a sleep only lets the others run."""

    async def sleep(self, seconds):
        await asyncio.sleep(min(seconds, 0.01))


@pytest.fixture
def path(tmp_path):
    return tmp_path / "ash-creek.sqlite"


@contextlib.asynccontextmanager
async def running(path, retention=KEEP_ALL):
    journal = Journal(path, [Series("level", UNITS["ft"])])
    writer = JournalWriter(journal, retention, ImpatientClock())
    writer.grown = asyncio.Queue()
    writer.on_growth = writer.grown.put_nowait
    note, writer.failed = writer._note, asyncio.Event()

    def noted(failing):
        note(failing)
        if failing:
            writer.failed.set()

    writer._note = noted
    task = asyncio.create_task(writer.run())
    yield writer
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    await writer.close()


def levels(count):
    return [Reading("level", i, float(i)) for i in range(count)]


async def test_submitted_rounds_are_committed_and_told(path):
    async with running(path) as writer:
        writer.submit(levels(3), {"flow": Tally(1, 2)})
        assert await writer.grown.get() == 3
        assert writer.newest == 3
        assert [r.value for r in await writer.fetch(1, 9)] == [0.0, 1.0, 2.0]
    journal = Journal(path)
    assert journal.tallies() == {"flow": Tally(1, 2)}
    journal.close()


async def test_closing_commits_what_is_left(path):
    async with running(path) as writer:
        writer.submit(levels(2), {})
        writer.acknowledge(1, 1)
    journal = Journal(path)
    assert (journal.newest, list(journal.sent)) == (2, [(1, 1)])
    journal.close()


async def test_acknowledgements_are_kept_even_when_nothing_else_comes(path):
    async with running(path) as writer:
        writer.submit(levels(1), {})
        await writer.grown.get()
        writer.acknowledge(1, 1)
        assert await writer.grown.get() == 1
        db = sqlite3.connect(path)
        assert list(db.execute("SELECT first, last FROM sent")) == [(1, 1)]
        db.close()
        assert list(writer.sent) == [(1, 1)]


async def test_a_disk_that_cannot_be_written_loses_nothing(path):
    async with running(path) as writer:
        writer.submit(levels(1), {})
        await writer.grown.get()
        other = sqlite3.connect(path, isolation_level=None)
        writer._journal._db.execute("PRAGMA busy_timeout = 0")
        other.execute("BEGIN IMMEDIATE")  # somebody holds the write lock
        writer.submit(levels(2), {"flow": Tally(5, 5)})
        await writer.failed.wait()
        writer.submit(levels(3), {})
        other.execute("COMMIT")
        other.close()
        assert await writer.grown.get() == 6
        assert writer.overflowed == 0
        assert [r.value for r in await writer.fetch(1, 9)] == [0, 0, 1, 0, 1, 2]
        assert writer._failing == ""


async def test_too_much_for_memory_lets_the_oldest_go_and_counts(path, monkeypatch):
    monkeypatch.setattr("edge.journal.writer._MOST_HELD", 5)
    async with running(path) as writer:
        writer._take_back(levels(4), {}, [])
        writer._take_back(levels(3), {}, [])
        assert writer.overflowed == 2
        await writer.flush()
        assert [r.value for r in await writer.fetch(1, 9)] == [2, 0, 1, 2, 3]


async def test_unsent_readings_deleted_for_space_are_told(path):
    dropped = asyncio.Queue()
    journal = Journal(path, [Series("level", UNITS["ft"])])
    journal.append(levels(100))
    journal.close()
    async with running(path, Retention(keep_ms=10**15, size_limit=1000)) as writer:
        writer.on_drop = lambda first, last: dropped.put_nowait((first, last))
        writer.submit(levels(1), {})
        assert await dropped.get() == (1, 100)
        assert [r.seq for r in await writer.fetch(1, 999)] == [101]
    async with running(path) as again:
        assert list(again.sent) == [(1, 100)]  # nobody will look for them


async def test_pruning_that_fails_is_noted_not_fatal(path, monkeypatch):
    def fail(*_):
        raise sqlite3.OperationalError("disk I/O error")

    monkeypatch.setattr("edge.journal.writer.prune", fail)
    async with running(path) as writer:
        writer.submit(levels(1), {})
        await writer.grown.get()
        await writer.failed.wait()
        writer.submit(levels(1), {})
        assert await writer.grown.get() == 2
